#include "drivers/edge_csv.hpp"

#include <algorithm>
#include <charconv>
#include <cstring>
#include <optional>

#include "drivers/line_cutter.hpp"
#include "drivers/plain_digits.hpp"
#include "drivers/source_time.hpp"
#include "drivers/text_quote.hpp"

namespace cw {

namespace {

constexpr std::string_view header_line = "t_ns,channel,edge";
constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";
constexpr std::size_t line_max = 256;  // bytes before the LF
constexpr std::size_t name_max = 64;
constexpr std::size_t channels_max = 250;

struct Row {
  std::int64_t t_ns = 0;
  std::uint8_t channel = 0;
  EdgeCode edge = EdgeCode::falling;
};

// Well-formed UTF-8 as RFC 3629 has it, without overlong forms checked: only what keeps a name printable matters here.
bool name_is_sound(std::string_view name) {
  if (name.empty() || name.size() > name_max) {
    return false;
  }
  int continuation = 0;
  for (const char letter : name) {
    const auto byte = static_cast<unsigned char>(letter);
    const bool continues = (byte & 0xC0U) == 0x80U;
    if (continues != (continuation > 0)) {
      return false;
    }
    if (continues) {
      --continuation;
    } else if (byte >= 0xC2U && byte <= 0xF4U) {
      continuation = byte >= 0xF0U ? 3 : byte >= 0xE0U ? 2 : 1;
    } else if (byte <= 0x20U || byte >= 0x7FU || byte == '"' || byte == '\'' || byte == ',') {
      return false;
    }
  }
  return continuation == 0;
}

class EdgeCsv final : public Driver {
 public:
  explicit EdgeCsv(DriverSettings settings) : settings_(std::move(settings)) {}

  void start(ItemBuffer& out) override;
  bool read(std::span<const char> bytes, ItemBuffer& out) override;
  bool finish(ItemBuffer& out) override;
  const std::string& error() const override { return error_; }
  std::uint64_t bad_inputs() const override { return bad_inputs_; }

 private:
  std::size_t take_plain_rows(std::span<const char> bytes, ItemBuffer& out);
  const char* plain_channel(const char* at);
  bool take_line(std::string_view line, ItemBuffer& out);
  bool take_header(std::string_view line, ItemBuffer& out);
  bool take_row(std::string_view line, ItemBuffer& out);
  bool time_is_sound(std::int64_t t_ns);
  std::optional<std::uint8_t> channel_number(std::string_view name, std::int64_t t_ns, ItemBuffer& out);
  bool bad_line(const std::string& what, ItemBuffer& out);
  std::string explain(std::string_view line) const;
  std::string explain_time(std::int64_t t_ns) const;

  DriverSettings settings_;
  std::string error_;
  LineCutter lines_{line_max};
  bool started_ = false;
  bool joining_ = false;  // a new connection: its first line may be the end of one
  bool header_seen_ = false;
  bool any_edge_ = false;
  std::int64_t first_ns_ = 0;
  std::int64_t last_ns_ = 0;
  RestartWatch restart_;
  std::uint64_t line_ = 0;
  std::uint64_t bad_inputs_ = 0;
  std::vector<std::string> names_;  // by channel number
  std::size_t last_channel_ = 0;
};

void EdgeCsv::start(ItemBuffer& out) {
  lines_.forget();
  joining_ = std::exchange(started_, true);
  header_seen_ = false;
  any_edge_ = false;
  restart_.forget();
  if (settings_.live) {
    out.add_note(LinkNote::connected, 0);
  }
}

bool EdgeCsv::bad_line(const std::string& what, ItemBuffer& out) {
  ++bad_inputs_;
  error_ = settings_.name + ":" + std::to_string(line_) + ": " + what;
  if (!settings_.live) {
    return false;
  }
  out.add_gap(GapReason::bad_input, 1, last_ns_);
  return true;
}

bool EdgeCsv::read(std::span<const char> bytes, ItemBuffer& out) {
  while (!bytes.empty()) {
    if (any_edge_ && lines_.is_between_lines()) {
      bytes = bytes.subspan(take_plain_rows(bytes, out));
    }
    // One line the careful way, or what has come of it.
    const auto* const end = static_cast<const char*>(std::memchr(bytes.data(), '\n', bytes.size()));
    const std::size_t size = end == nullptr ? bytes.size() : static_cast<std::size_t>(end - bytes.data()) + 1;
    if (!lines_.read(bytes.first(size), [&](std::string_view line) { return take_line(line, out); })) {
      return false;
    }
    bytes = bytes.subspan(size);
  }
  return true;
}

// Sets last_channel_ to the known channel whose name and comma stand at `at`; where they end, and nullptr when none does.
const char* EdgeCsv::plain_channel(const char* at) {
  const auto stands = [&](const std::string& name) {
    return std::memcmp(at, name.data(), name.size()) == 0 && at[name.size()] == ',';
  };
  if (!stands(names_[last_channel_])) {
    const auto found = std::find_if(names_.begin(), names_.end(), stands);
    if (found == names_.end()) {
      return nullptr;
    }
    last_channel_ = static_cast<std::size_t>(found - names_.begin());
  }
  return at + names_[last_channel_].size() + 1;
}

// Takes the rows at the front of `bytes` that are as most rows are: a time that can follow the last one, a channel that is
// known, r or f, LF. Returns their bytes. Whatever is otherwise, and the last rows of `bytes`, are left to take_line().
std::size_t EdgeCsv::take_plain_rows(std::span<const char> bytes, ItemBuffer& out) {
  const char* at = bytes.data();
  const char* const end = at + bytes.size();
  const std::uint64_t line_before = line_;
  while (end - at >= static_cast<std::ptrdiff_t>(line_max)) {
    std::int64_t t_ns = 0;
    const char* const name = plain_digits(at, t_ns);
    if (name == nullptr || *name != ',' || !time_is_sound(t_ns)) {
      break;
    }
    const char* const edge = plain_channel(name + 1);
    if (edge == nullptr || (edge[0] != 'r' && edge[0] != 'f')) {
      break;
    }
    const char* const line_end = edge[1] == '\r' ? edge + 2 : edge + 1;
    if (*line_end != '\n') {
      break;
    }
    Item item;
    item.source_ns = t_ns;
    item.channel = static_cast<std::uint8_t>(last_channel_);
    item.code = static_cast<std::uint8_t>(edge[0] == 'r' ? EdgeCode::rising : EdgeCode::falling);
    out.items.push_back(item);
    last_ns_ = t_ns;
    ++line_;
    at = line_end + 1;
  }
  if (line_ != line_before) {
    restart_.forget();
  }
  return static_cast<std::size_t>(at - bytes.data());
}

bool EdgeCsv::finish(ItemBuffer& out) {
  if (!lines_.finish([&](std::string_view line) { return take_line(line, out); })) {
    return false;
  }
  if (line_ == 0 && !settings_.live) {
    line_ = 1;
    return bad_line("expected the header " + quoted(header_line) + ", found the end of the file", out);
  }
  out.add_note(LinkNote::end_of_input, last_ns_);
  return true;
}

bool EdgeCsv::take_line(std::string_view line, ItemBuffer& out) {
  ++line_;
  if (joining_ && !header_seen_) {
    header_seen_ = true;
    return true;
  }
  if (line.size() > line_max) {
    return bad_line("expected a line of at most " + std::to_string(line_max) + " bytes, found a longer one", out);
  }
  if (!line.empty() && line.back() == '\r') {
    line.remove_suffix(1);
  }
  return header_seen_ ? take_row(line, out) : take_header(line, out);
}

bool EdgeCsv::take_header(std::string_view line, ItemBuffer& out) {
  header_seen_ = true;
  if (line.substr(0, byte_order_mark.size()) == byte_order_mark) {
    line.remove_prefix(byte_order_mark.size());
  }
  if (line == header_line) {
    return true;
  }
  return bad_line("expected the header " + quoted(header_line) + ", found " + quoted(line), out);
}

// A decimal integer at the start of `text`; the characters taken, 0 when there is none or it is out of range.
std::size_t parse_time(std::string_view text, std::int64_t& t_ns) {
  constexpr std::size_t safe_digits = 18;  // so many can't overflow
  std::int64_t value = 0;
  std::size_t digits = 0;
  while (digits < std::min(text.size(), safe_digits) && text[digits] >= '0' && text[digits] <= '9') {
    value = value * 10 + (text[digits] - '0');
    ++digits;
  }
  if (digits > 0 && digits < safe_digits) {
    t_ns = value;
    return digits;
  }
  const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), t_ns);
  return problem == std::errc() ? static_cast<std::size_t>(end - text.data()) : 0;
}

bool edge_of(std::string_view field, EdgeCode& edge) {
  if (field.size() != 1 || (field[0] != 'r' && field[0] != 'f')) {
    return false;
  }
  edge = field[0] == 'r' ? EdgeCode::rising : EdgeCode::falling;
  return true;
}

bool EdgeCsv::take_row(std::string_view line, ItemBuffer& out) {
  Row row;
  const std::size_t digits = parse_time(line, row.t_ns);
  const bool shape_is_sound = digits > 0 && line.size() >= digits + 4 && line[digits] == ',' &&
                              line[line.size() - 2] == ',' && edge_of(line.substr(line.size() - 1), row.edge);
  if (!shape_is_sound) {
    if (settings_.live && line == header_line) {
      return true;  // the writer of the pipe was started again
    }
    return bad_line(explain(line), out);
  }
  if (!time_is_sound(row.t_ns)) {
    if (!restart_.seen(row.t_ns) || !settings_.live) {
      return bad_line(explain_time(row.t_ns), out);
    }
    out.add_note(LinkNote::new_epoch, row.t_ns);
    any_edge_ = false;
  }
  const std::string_view name = line.substr(digits + 1, line.size() - digits - 3);
  if (names_.empty() || names_[last_channel_] != name) {
    const auto number = channel_number(name, row.t_ns, out);
    if (!number) {
      return bad_line(explain(line), out);
    }
    last_channel_ = *number;
  }
  restart_.forget();
  first_ns_ = any_edge_ ? first_ns_ : row.t_ns;
  any_edge_ = true;
  last_ns_ = row.t_ns;
  Item item;
  item.source_ns = row.t_ns;
  item.channel = static_cast<std::uint8_t>(last_channel_);
  item.code = static_cast<std::uint8_t>(row.edge);
  out.items.push_back(item);
  return true;
}

bool EdgeCsv::time_is_sound(std::int64_t t_ns) {
  if (!any_edge_) {
    return true;
  }
  return t_ns >= last_ns_ && distance_ns(last_ns_, t_ns) <= silence_max_ns &&
         (settings_.live || distance_ns(first_ns_, t_ns) <= span_max_ns);
}

std::optional<std::uint8_t> EdgeCsv::channel_number(std::string_view name, std::int64_t t_ns, ItemBuffer& out) {
  const auto known = std::find(names_.begin(), names_.end(), name);
  if (known != names_.end()) {
    return static_cast<std::uint8_t>(known - names_.begin());
  }
  if (!name_is_sound(name) || names_.size() >= channels_max) {
    return std::nullopt;
  }
  names_.emplace_back(name);
  const auto number = static_cast<std::uint8_t>(names_.size() - 1);
  out.add_channel_name(number, our_name(settings_.channels, name), t_ns);
  return number;
}

std::string EdgeCsv::explain_time(std::int64_t t_ns) const {
  const std::string found = ", found " + std::to_string(t_ns);
  if (t_ns < last_ns_) {
    return "expected t_ns of at least " + std::to_string(last_ns_) + ", that of the line before" + found;
  }
  if (distance_ns(last_ns_, t_ns) > silence_max_ns) {
    return "expected t_ns at most 24 h after " + std::to_string(last_ns_) + ", that of the line before" + found;
  }
  return "expected t_ns at most 366 days after " + std::to_string(first_ns_) + ", the first of the file" + found;
}

// Says what is wrong with a line that take_row could not use. Slow; only for lines known to be bad.
std::string EdgeCsv::explain(std::string_view line) const {
  const std::string shape = "expected " + std::string(header_line);
  if (line.empty()) {
    return shape + ", found an empty line";
  }
  if (line.find('\0') != std::string_view::npos) {
    return shape + ", found a NUL byte";
  }
  const std::size_t first = line.find(',');
  const std::size_t second = first == std::string_view::npos ? first : line.find(',', first + 1);
  if (second == std::string_view::npos || line.find(',', second + 1) != std::string_view::npos) {
    return shape + ", found " + quoted(line);
  }
  const std::string_view number = line.substr(0, first);
  std::int64_t t_ns = 0;
  const auto [end, problem] = std::from_chars(number.data(), number.data() + number.size(), t_ns);
  if (problem == std::errc::result_out_of_range) {
    return "expected t_ns from -9223372036854775808 to 9223372036854775807, found " + quoted(number);
  }
  if (problem != std::errc() || end != number.data() + number.size()) {
    return "expected t_ns as a whole number of nanoseconds, found " + quoted(number);
  }
  EdgeCode edge = EdgeCode::falling;
  if (!edge_of(line.substr(second + 1), edge)) {
    return "expected the edge r or f, found " + quoted(line.substr(second + 1));
  }
  const std::string_view name = line.substr(first + 1, second - first - 1);
  if (!name_is_sound(name)) {
    return "expected a channel name of 1 to 64 bytes without spaces and quotes, found " + quoted(name);
  }
  return "expected at most " + std::to_string(channels_max) + " channels, found one more: " + quoted(name);
}

bool recognise_edge_csv(std::string_view head) {
  if (head.substr(0, byte_order_mark.size()) == byte_order_mark) {
    head.remove_prefix(byte_order_mark.size());
  }
  return head.substr(0, header_line.size()) == header_line;
}

}  // namespace

std::unique_ptr<Driver> make_edge_csv(const DriverSettings& settings) {
  return std::make_unique<EdgeCsv>(settings);
}

constinit const DriverEntry edge_csv_entry = {.name = "csv",
                                              .title = "edge CSV, lines of t_ns,channel,edge",
                                              .make = make_edge_csv,
                                              .recognises = recognise_edge_csv,
                                              .open = open_for_reading};

}  // namespace cw
