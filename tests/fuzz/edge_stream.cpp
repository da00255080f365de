// Edge stream, both forms: drivers/EDGE_STREAM.md. Most inputs would die at a checksum, so the choices may ask for right
// ones: the input is then what stands within the frames or lines.
#include <charconv>

#include "driver_rules.hpp"
#include "drivers/edge_stream_encoder.h"
#include "real_files.hpp"

namespace cw::fuzz {

namespace {

enum class Form { as_it_is, frames, lines };

// Pieces of the input, each with its length before it, as binary frames with their checksums.
std::string as_frames(std::string_view pieces) {
  std::string out;
  while (!pieces.empty()) {
    const std::size_t size = std::min<std::size_t>(static_cast<unsigned char>(pieces.front()),
                                                   std::min<std::size_t>(252, pieces.size() - 1));
    std::string frame(pieces.substr(1, size));
    pieces.remove_prefix(1 + size);
    const std::uint16_t crc = cwes_crc16(reinterpret_cast<const std::uint8_t*>(frame.data()), frame.size());
    frame += static_cast<char>(crc >> 8U);
    frame += static_cast<char>(crc & 0xFFU);
    std::uint8_t coded[CWES_FRAME_MAX + 2];
    const std::size_t length = cwes_cobs(reinterpret_cast<const std::uint8_t*>(frame.data()), frame.size(), coded);
    out.append(reinterpret_cast<const char*>(coded), length);
    out += '\0';
  }
  return out;
}

std::string hex(unsigned value, int digits) {
  char text[9];
  std::snprintf(text, sizeof text, "%0*X", digits, value);
  return text;
}

// Lines of the input, without their `$` and checks, as lines with them.
std::string as_lines(std::string_view bodies) {
  std::string out;
  while (!bodies.empty()) {
    const std::size_t end = std::min(bodies.find('\n'), bodies.size());
    std::string body(bodies.substr(0, end));
    bodies.remove_prefix(std::min(end + 1, bodies.size()));
    if (body.starts_with("H")) {
      body += "," + hex(cwes_crc16(reinterpret_cast<const std::uint8_t*>(body.data()), body.size()), 4);
    }
    unsigned check = 0;
    for (const char byte : body) {
      check ^= static_cast<unsigned char>(byte);
    }
    out += "$" + body + "*" + hex(check, 2) + "\r\n";
  }
  return out;
}

// The reverse, for seeds: the content of each frame behind its length.
std::string frame_contents(std::string_view coded) {
  std::string out;
  std::string frame;
  for (std::size_t at = 0; at < coded.size();) {
    const auto code = static_cast<unsigned char>(coded[at]);
    if (code == 0) {
      frame.resize(frame.size() > 3 ? frame.size() - 3 : 0);  // the checksum, and the zero after the last block
      out += static_cast<char>(frame.size());
      out += frame;
      frame.clear();
      ++at;
      continue;
    }
    frame += coded.substr(at + 1, code - 1U);
    frame += '\0';
    at += code;
  }
  return out;
}

std::string line_bodies(const std::string& lines) {
  std::string out;
  for (std::size_t at = lines.find('$'); at != std::string::npos; at = lines.find('$', at + 1)) {
    std::string body = lines.substr(at + 1, lines.find('*', at) - at - 1);
    out += (body.starts_with("H") ? body.substr(0, body.rfind(',')) : body) + "\n";
  }
  return out;
}

// The bytes of the example as EDGE_STREAM.md prints them; what stands after # is not sent.
std::string from_hex(const std::string& text) {
  std::string out;
  for (std::size_t at = 0; at + 1 < text.size();) {
    if (text[at] == '#') {
      at = std::min(text.find('\n', at), text.size());
      continue;
    }
    unsigned value = 0;
    if (std::from_chars(text.data() + at, text.data() + at + 2, value, 16).ptr == text.data() + at + 2) {
      out += static_cast<char>(value);
      at += 2;
    } else {
      ++at;
    }
  }
  return out;
}

// What the C encoder makes of a second of edges.
std::string encoded(int form, std::uint32_t rate_hz, int width_bits) {
  static const char* const names[] = {"crank", "cam1", "ref"};
  std::uint8_t ring[4096];
  cwes_encoder encoder;
  expect(cwes_init(&encoder, form, rate_hz, width_bits, names, 3, ring, sizeof ring) != 0,
         "settings that the encoder takes");
  std::string out;
  std::uint64_t now = 0;
  for (int i = 0; i < 60; ++i) {
    now += rate_hz / 250;
    cwes_edge(&encoder, i % 7 == 0 ? 1 : 0, i & 1, now);
    if (i == 30) {
      cwes_dropped(&encoder, 3);
    }
    cwes_poll(&encoder, now);
    std::uint8_t bytes[512];
    out.append(reinterpret_cast<const char*>(bytes), cwes_take(&encoder, bytes, sizeof bytes));
  }
  return out;
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  const auto form = static_cast<Form>(choices.take(2));
  const std::string bytes = form == Form::frames  ? as_frames(choices.rest())
                            : form == Form::lines ? as_lines(choices.rest())
                                                  : std::string(choices.rest());
  try_driver({.driver = "stream", .time_goes_on = true, .may_rename = true, .may_restart = true}, bytes, choices);
}

void seeds(const AddSeed& add) {
  const std::string page = file_of_tree("drivers/EDGE_STREAM.md");
  std::string text = fenced_blocks(page, "text").front();
  std::string binary = from_hex(fenced_blocks(page, "hex").front());
  for (const auto& [lines, frames] :
       {std::pair{text, binary}, std::pair{encoded(CWES_TEXT, 1'000'000, 16), encoded(CWES_BINARY, 84'000'000, 64)}}) {
    add(lines);
    add(frames);
    add(line_bodies(lines));
    add(frame_contents(frames));
  }
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"$H,0,1,1000000,32,0,",
                                             ",crank,cam1,",
                                             "$E,",
                                             "$B,",
                                             "H,",
                                             "E,",
                                             "B,",
                                             ",crank,r,",
                                             ",crank,f,",
                                             "*6D\r\n",
                                             "\x01\x48",
                                             "\x01\x45",
                                             "\x01\x42",
                                             "18446744073709551615",
                                             "4294967295",
                                             "65535",
                                             "\xFF\xFF\xFF\xFF\x0F"};
  return all;
}

}  // namespace cw::fuzz
