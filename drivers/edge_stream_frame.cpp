#include "drivers/edge_stream_frame.hpp"

#include <algorithm>
#include <array>
#include <boost/crc.hpp>
#include <charconv>
#include <span>

#include "drivers/cobs.hpp"
#include "drivers/nmea.hpp"
#include "drivers/text_quote.hpp"

namespace cw {

namespace {

constexpr unsigned version_known = 1;
constexpr std::uint32_t rate_min_hz = 1'000;
constexpr std::uint32_t rate_max_hz = 1'000'000'000;
constexpr std::uint8_t width_min_bits = 16;
constexpr std::uint8_t width_max_bits = 64;
constexpr std::uint32_t wraps_a_second_max = 100;

bool name_is_sound(std::string_view name) {
  return !name.empty() && name.size() <= stream_name_max && std::all_of(name.begin(), name.end(), [](char letter) {
    return letter > ' ' && letter <= '~' && std::string_view(",*$\"'").find(letter) == std::string_view::npos;
  });
}

std::string setup_problem(unsigned version, const StreamSetup& setup) {
  if (version != version_known) {
    return "expected version 1 of the edge stream, found version " + std::to_string(version);
  }
  if (setup.rate_hz < rate_min_hz || setup.rate_hz > rate_max_hz) {
    return "expected a tick rate of 1000 to 1000000000 Hz, found " + std::to_string(setup.rate_hz);
  }
  if (setup.width_bits < width_min_bits || setup.width_bits > width_max_bits) {
    return "expected a counter of 16 to 64 bits, found " + std::to_string(setup.width_bits);
  }
  if (setup.mask() < setup.rate_hz / wraps_a_second_max) {
    return "expected a counter that wraps after 10 ms or more, found " + std::to_string(setup.width_bits) +
           " bits at " + std::to_string(setup.rate_hz) + " Hz";
  }
  if (setup.names.empty() || setup.names.size() > stream_channels_max) {
    return "expected 1 to 8 channels, found " + std::to_string(setup.names.size());
  }
  for (auto name = setup.names.begin(); name != setup.names.end(); ++name) {
    if (!name_is_sound(*name) || std::find(setup.names.begin(), name, *name) != name) {
      return "expected channel names of 1 to 24 printable characters, each once, found " + quoted(*name);
    }
  }
  return "";
}

// Takes numbers off the front of a frame; after one that was not there, `sound` is false and all are 0.
class Fields {
 public:
  explicit Fields(std::span<const std::uint8_t> bytes) : left_(bytes) {}

  std::uint64_t take(std::size_t bytes) {  // low byte first
    std::uint64_t value = 0;
    const auto taken = take_bytes(bytes);
    for (std::size_t i = 0; i < taken.size(); ++i) {
      value |= static_cast<std::uint64_t>(taken[i]) << (8U * i);
    }
    return value;
  }

  std::uint64_t take_leb128() {
    std::uint64_t value = 0;
    for (unsigned shift = 0; shift < 64; shift += 7) {
      const std::uint64_t byte = take(1);
      if (shift == 63 && byte > 1) {
        sound_ = false;
      }
      value |= (byte & 0x7FU) << shift;
      if ((byte & 0x80U) == 0) {
        return value;
      }
    }
    sound_ = false;
    return 0;
  }

  std::string take_name() {
    const auto bytes = take_bytes(take(1));
    return {bytes.begin(), bytes.end()};
  }

  // The code of an edge: 15, 22 or 30 bits in 2, 3 or 4 bytes, high byte first.
  std::uint32_t take_edge_code() {
    const auto first = static_cast<std::uint32_t>(take(1));
    const unsigned more = first < 0x80U ? 1 : first < 0xC0U ? 2 : 3;
    std::uint32_t code = more == 1 ? first : first & 0x3FU;
    for (unsigned i = 0; i < more; ++i) {
      code = code << 8U | static_cast<std::uint32_t>(take(1));
    }
    return code;
  }

  bool sound() const { return sound_; }
  bool done() const { return sound_ && left_.empty(); }
  bool any_left() const { return sound_ && !left_.empty(); }

 private:
  std::span<const std::uint8_t> take_bytes(std::size_t count) {
    if (count > left_.size()) {
      sound_ = false;
      left_ = {};
      return {};
    }
    const auto taken = left_.first(count);
    left_ = left_.subspan(count);
    return taken;
  }

  std::span<const std::uint8_t> left_;
  bool sound_ = true;
};

bool take_edges(Fields& fields, StreamFrame& out) {
  out.counter = fields.take_leb128();
  while (fields.any_left()) {
    const std::uint32_t code = fields.take_edge_code();
    out.edges.push_back({code >> 4U, static_cast<std::uint8_t>(code >> 1U & 7U), (code & 1U) != 0});
  }
  return fields.sound() && !out.edges.empty() && out.edges.front().delta == 0;
}

bool take_header(Fields& fields, StreamFrame& out, unsigned& version) {
  version = static_cast<unsigned>(fields.take(1));
  out.setup.rate_hz = static_cast<std::uint32_t>(fields.take(4));
  out.setup.width_bits = static_cast<std::uint8_t>(fields.take(1));
  out.header_number = static_cast<std::uint32_t>(fields.take(4));
  out.counter = fields.take_leb128();
  out.dropped = static_cast<std::uint32_t>(fields.take(4));
  const std::size_t channels = fields.take(1);
  for (std::size_t i = 0; i < channels && fields.sound(); ++i) {
    out.setup.names.push_back(fields.take_name());
  }
  return fields.done();
}

void clear(StreamFrame& out) {
  out.edges.clear();
  out.setup.names.clear();
  out.edges_before.reset();
  out.channel_name.clear();
}

// ---- text form

// Takes fields up to the next comma off the front of a line.
class Words {
 public:
  explicit Words(std::string_view text) : left_(text) {}

  std::string_view take() {
    if (!any_left_) {
      sound_ = false;
      return {};
    }
    const std::size_t end = left_.find(',');
    const std::string_view word = left_.substr(0, end);
    any_left_ = end != std::string_view::npos;
    left_.remove_prefix(any_left_ ? end + 1 : left_.size());
    return word;
  }

  template <typename Number>
  Number take_number() {
    const std::string_view word = take();
    Number value = 0;
    const auto [end, problem] = std::from_chars(word.data(), word.data() + word.size(), value);
    sound_ = sound_ && problem == std::errc() && end == word.data() + word.size();
    return value;
  }

  bool any_left() const { return any_left_ && sound_; }
  bool done() const { return !any_left_ && sound_; }

 private:
  std::string_view left_;
  bool any_left_ = true;
  bool sound_ = true;
};

bool take_header(Words& words, StreamFrame& out, unsigned& version) {
  out.kind = StreamKind::header;
  version = words.take_number<unsigned>();
  out.setup.rate_hz = words.take_number<std::uint32_t>();
  out.setup.width_bits = words.take_number<std::uint8_t>();
  out.header_number = words.take_number<std::uint32_t>();
  out.counter = words.take_number<std::uint64_t>();
  out.dropped = words.take_number<std::uint32_t>();
  while (words.any_left() && out.setup.names.size() <= stream_channels_max) {
    out.setup.names.emplace_back(words.take());
  }
  return words.done();
}

std::uint16_t crc_of(std::string_view bytes) {
  boost::crc_ccitt_type crc;  // polynomial 0x1021, start 0xFFFF, not reflected: CRC-16/CCITT-FALSE
  crc.process_bytes(bytes.data(), bytes.size());
  return static_cast<std::uint16_t>(crc.checksum());
}

// Takes the CRC off the end of a header line: a comma and four hexadecimal digits.
bool take_crc(std::string_view& body) {
  constexpr std::size_t crc_size = 5;
  if (body.size() < crc_size || body[body.size() - crc_size] != ',') {
    return false;
  }
  const std::string_view digits = body.substr(body.size() - crc_size + 1);
  body.remove_suffix(crc_size);
  std::uint16_t crc = 0;
  const auto [end, problem] = std::from_chars(digits.data(), digits.data() + digits.size(), crc, 16);
  return problem == std::errc() && end == digits.data() + digits.size() && crc == crc_of(body);
}

bool take_edge(Words& words, StreamFrame& out) {
  out.kind = StreamKind::edges;
  out.channel_name = words.take();
  const std::string_view edge = words.take();
  out.counter = words.take_number<std::uint64_t>();
  out.edges.push_back({0, 0, edge == "r"});
  return words.done() && (edge == "r" || edge == "f");
}

bool take_heartbeat(Words& words, StreamFrame& out) {
  out.kind = StreamKind::heartbeat;
  out.counter = words.take_number<std::uint64_t>();
  out.dropped = words.take_number<std::uint32_t>();
  return words.done();
}

}  // namespace

std::string parse_stream_frame(std::string_view coded, StreamFrame& out) {
  std::array<std::uint8_t, stream_frame_max + 2> plain{};
  std::array<std::uint8_t, stream_frame_max + 2> bytes{};
  if (coded.size() > bytes.size()) {
    return "expected a frame of at most 254 bytes, found a longer one";
  }
  std::copy(coded.begin(), coded.end(), bytes.begin());
  const auto size = cobs_decode(std::span(bytes).first(coded.size()), plain);
  constexpr std::size_t crc_bytes = 2;
  constexpr std::size_t size_min = 1 + 2 + 2 + 1 + crc_bytes;
  if (!size || *size < size_min || *size > stream_frame_max) {
    return "expected a COBS frame of 8 to 254 bytes, found " + quoted(coded);
  }
  const std::string_view frame(reinterpret_cast<const char*>(plain.data()), *size);
  if (crc_of(frame) != 0) {  // the remainder of a message with its own CRC after it, high byte first
    return "expected a frame with a right CRC-16, found " + quoted(coded);
  }
  clear(out);
  Fields fields(std::span<const std::uint8_t>(plain).first(*size - crc_bytes));
  const auto kind = static_cast<char>(fields.take(1));
  out.sequence = static_cast<std::uint16_t>(fields.take(2));
  out.edges_before = static_cast<std::uint16_t>(fields.take(2));
  unsigned version = version_known;
  bool sound = false;
  if (kind == 'E') {
    out.kind = StreamKind::edges;
    sound = take_edges(fields, out);
  } else if (kind == 'B') {
    out.kind = StreamKind::heartbeat;
    out.counter = fields.take_leb128();
    out.dropped = static_cast<std::uint32_t>(fields.take(4));
    sound = fields.done();
  } else if (kind == 'H') {
    out.kind = StreamKind::header;
    sound = take_header(fields, out, version);
  }
  if (kind == 'H' && version != version_known) {
    return setup_problem(version, out.setup);
  }
  return !sound        ? "expected a frame of kind H, E or B and its fields, found " + quoted(coded)
         : kind == 'H' ? setup_problem(version, out.setup)
                       : "";
}

std::string parse_stream_line(std::string_view line, StreamFrame& out) {
  auto body = nmea_body(line);
  if (!body) {
    return "expected a line $...*hh with a right checksum, found " + quoted(line);
  }
  if (body->starts_with("H,") && !take_crc(*body)) {
    return "expected a header line with a right CRC-16 as its last field, found " + quoted(line);
  }
  clear(out);
  Words words(*body);
  const std::string_view kind = words.take();
  out.sequence = words.take_number<std::uint16_t>();
  unsigned version = version_known;
  bool sound = false;
  if (kind == "E") {
    sound = take_edge(words, out);
  } else if (kind == "B") {
    sound = take_heartbeat(words, out);
  } else if (kind == "H") {
    sound = take_header(words, out, version);
  }
  if (kind == "H" && version != version_known) {
    return setup_problem(version, out.setup);
  }
  return !sound        ? "expected a line $H, $E or $B and its fields, found " + quoted(line)
         : kind == "H" ? setup_problem(version, out.setup)
                       : "";
}

}  // namespace cw
