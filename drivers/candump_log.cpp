#include "drivers/candump_log.hpp"

#include <algorithm>
#include <optional>

#include "drivers/line_cutter.hpp"
#include "drivers/source_time.hpp"
#include "drivers/text_quote.hpp"
#include "items/can_frame_text.hpp"

namespace cw {

namespace {

constexpr std::size_t line_max = 256;  // bytes before the LF
constexpr std::size_t interfaces_max = 250;
constexpr std::size_t interface_bytes_max = 15;  // IFNAMSIZ less the end
constexpr std::int64_t back_max_ns = 1'000'000'000;
constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::size_t second_digits_max = 10;
constexpr std::size_t fraction_digits = 9;
constexpr std::int64_t seconds_max = INT64_MAX / ns_per_s - 1;

// As such a log writes it, with all nine digits: 1436509052.249713000.
std::string time_text(std::int64_t t_ns) {
  const std::string fraction = std::to_string(t_ns % ns_per_s);
  return std::to_string(t_ns / ns_per_s) + "." + std::string(fraction_digits - fraction.size(), '0') + fraction;
}

// One line, part by part; each take_...() says what should have stood where, or nothing.
class LineReader {
 public:
  explicit LineReader(std::string_view line) : line_(line) {}

  std::int64_t t_ns = 0;  // since 1970
  std::string_view interface;
  std::size_t interface_at = 0;
  CanFrame frame;  // sound

  std::optional<CanTextProblem> read() {
    auto problem = take_time();
    problem = problem ? problem : take_interface();
    problem = problem ? problem : take_frame();
    return problem ? problem : take_direction();
  }

 private:
  // Digits from here on, at most `digits_max` of them; how many.
  std::size_t take_number(std::size_t digits_max, std::int64_t& value) {
    std::size_t digits = 0;
    for (value = 0; digits < digits_max && at_ < line_.size() && line_[at_] >= '0' && line_[at_] <= '9'; ++at_) {
      value = value * 10 + (line_[at_] - '0');
      ++digits;
    }
    return digits;
  }

  bool take(char wanted) {
    const bool found = at_ < line_.size() && line_[at_] == wanted;
    at_ += found ? 1 : 0;
    return found;
  }

  std::optional<CanTextProblem> take_time() {
    std::int64_t seconds = 0;
    if (!take('(')) {
      return CanTextProblem{at_, "\"(\" before the time"};
    }
    const std::size_t begin = at_;
    if (take_number(second_digits_max, seconds) == 0 || seconds > seconds_max) {
      return CanTextProblem{begin, "seconds since 1970, at most 9223372035"};
    }
    if (!take('.')) {
      return CanTextProblem{at_, "\".\" after the seconds, of which there are at most 10 digits"};
    }
    std::int64_t fraction = 0;
    const std::size_t digits = take_number(fraction_digits, fraction);
    if (digits == 0) {
      return CanTextProblem{at_, "1 to 9 digits of a second"};
    }
    for (std::size_t i = digits; i < fraction_digits; ++i) {
      fraction *= 10;
    }
    t_ns = seconds * ns_per_s + fraction;
    return take(')') && take(' ') ? std::nullopt
                                  : std::optional(CanTextProblem{at_, "\") \" after 1 to 9 digits of a second"});
  }

  std::optional<CanTextProblem> take_interface() {
    interface_at = at_;
    interface = line_.substr(at_, line_.find(' ', at_) - at_);
    const bool printable =
        std::all_of(interface.begin(), interface.end(), [](char one) { return one > ' ' && one < '\x7F'; });
    if (interface.empty() || interface.size() > interface_bytes_max || !printable) {
      return CanTextProblem{at_, "the name of an interface, 1 to 15 printable characters"};
    }
    at_ += interface.size();
    return take(' ') ? std::nullopt : std::optional(CanTextProblem{at_, "a space after the interface, and a frame"});
  }

  std::optional<CanTextProblem> take_frame() {
    const std::string_view text = line_.substr(at_, line_.find(' ', at_) - at_);
    const auto parsed = parse_can_frame(text);
    if (const auto* problem = std::get_if<CanTextProblem>(&parsed)) {
      return CanTextProblem{at_ + problem->at, problem->expected};
    }
    frame = std::get<CanFrame>(parsed);
    if (!is_sound(frame)) {
      return CanTextProblem{at_, "an error frame with data, as it is neither remote nor of CAN FD"};
    }
    at_ += text.size();
    return std::nullopt;
  }

  std::optional<CanTextProblem> take_direction() const {
    const std::string_view rest = line_.substr(at_);
    return rest.empty() || rest == " R" || rest == " T"
               ? std::nullopt
               : std::optional(CanTextProblem{at_, "the end of the line, \" R\" or \" T\""});
  }

  std::string_view line_;
  std::size_t at_ = 0;
};

class CandumpLog final : public Driver {
 public:
  explicit CandumpLog(DriverSettings settings) : settings_(std::move(settings)) {}

  void start(ItemBuffer& out) override;
  bool read(std::span<const char> bytes, ItemBuffer& out) override;
  bool finish(ItemBuffer& out) override;
  const std::string& error() const override { return error_; }
  std::uint64_t bad_inputs() const override { return bad_inputs_; }

 private:
  bool take_line(std::string_view line, ItemBuffer& out);
  bool take_frame(const LineReader& line, ItemBuffer& out);
  bool time_is_sound(std::int64_t t_ns) const;
  std::string explain_time(std::int64_t t_ns) const;
  std::optional<std::uint8_t> channel_number(std::string_view interface, std::int64_t t_ns, ItemBuffer& out);
  bool bad_line(std::size_t column, const std::string& what, ItemBuffer& out);

  DriverSettings settings_;
  std::string error_;
  LineCutter lines_{line_max};
  bool any_frame_ = false;
  std::int64_t first_ns_ = 0;
  std::int64_t latest_ns_ = 0;
  RestartWatch restart_;
  std::uint64_t line_ = 0;
  std::uint64_t bad_inputs_ = 0;
  std::vector<std::string> interfaces_;  // by channel number
};

void CandumpLog::start(ItemBuffer& out) {
  lines_.forget();
  any_frame_ = false;
  restart_.forget();
  if (settings_.live) {
    out.add_note(LinkNote::connected, 0);
  }
}

bool CandumpLog::read(std::span<const char> bytes, ItemBuffer& out) {
  return lines_.read(bytes, [&](std::string_view line) { return take_line(line, out); });
}

bool CandumpLog::finish(ItemBuffer& out) {
  if (!lines_.finish([&](std::string_view line) { return take_line(line, out); })) {
    return false;
  }
  out.add_note(LinkNote::end_of_input, latest_ns_);
  return true;
}

// `column` counts from 0.
bool CandumpLog::bad_line(std::size_t column, const std::string& what, ItemBuffer& out) {
  ++bad_inputs_;
  error_ = settings_.name + ":" + std::to_string(line_) + ":" + std::to_string(column + 1) + ": " + what;
  if (!settings_.live) {
    return false;
  }
  out.add_gap(GapReason::bad_input, 1, latest_ns_);
  return true;
}

bool CandumpLog::take_line(std::string_view line, ItemBuffer& out) {
  ++line_;
  if (line.size() > line_max) {
    return bad_line(line_max, "expected a line of at most " + std::to_string(line_max) + " bytes, found a longer one",
                    out);
  }
  if (line.ends_with('\r')) {
    line.remove_suffix(1);
  }
  if (line.empty()) {
    return true;
  }
  LineReader reader(line);
  if (const auto problem = reader.read()) {
    const std::string_view found = line.substr(problem->at);
    return bad_line(problem->at,
                    "expected " + std::string(problem->expected) + ", found " +
                        (found.empty() ? "the end of the line" : quoted(found)),
                    out);
  }
  return take_frame(reader, out);
}

bool CandumpLog::take_frame(const LineReader& line, ItemBuffer& out) {
  if (!time_is_sound(line.t_ns)) {
    if (!restart_.seen(line.t_ns) || !settings_.live) {
      return bad_line(1, explain_time(line.t_ns), out);
    }
    out.add_note(LinkNote::new_epoch, line.t_ns);
    any_frame_ = false;
  }
  const auto channel = channel_number(line.interface, line.t_ns, out);
  if (!channel) {
    return bad_line(
        line.interface_at,
        "expected at most " + std::to_string(interfaces_max) + " interfaces, found one more: " + quoted(line.interface),
        out);
  }
  restart_.forget();
  first_ns_ = any_frame_ ? first_ns_ : line.t_ns;
  latest_ns_ = any_frame_ ? std::max(latest_ns_, line.t_ns) : line.t_ns;
  any_frame_ = true;
  add_can_frame(out, *channel, line.t_ns, line.frame);
  return true;
}

bool CandumpLog::time_is_sound(std::int64_t t_ns) const {
  if (!any_frame_) {
    return true;
  }
  if (t_ns < latest_ns_) {
    return latest_ns_ - t_ns <= back_max_ns;
  }
  return distance_ns(latest_ns_, t_ns) <= silence_max_ns &&
         (settings_.live || t_ns < first_ns_ || distance_ns(first_ns_, t_ns) <= span_max_ns);
}

std::string CandumpLog::explain_time(std::int64_t t_ns) const {
  const std::string found = ", found " + time_text(t_ns);
  if (t_ns < latest_ns_) {
    return "expected a time at most 1 s before the latest one, " + time_text(latest_ns_) + found;
  }
  if (distance_ns(latest_ns_, t_ns) > silence_max_ns) {
    return "expected a time at most 24 h after the latest one, " + time_text(latest_ns_) + found;
  }
  return "expected a time at most 366 days after the first one, " + time_text(first_ns_) + found;
}

std::optional<std::uint8_t> CandumpLog::channel_number(std::string_view interface, std::int64_t t_ns, ItemBuffer& out) {
  const auto known = std::find(interfaces_.begin(), interfaces_.end(), interface);
  if (known != interfaces_.end()) {
    return static_cast<std::uint8_t>(known - interfaces_.begin());
  }
  if (interfaces_.size() >= interfaces_max) {
    return std::nullopt;
  }
  interfaces_.emplace_back(interface);
  const auto number = static_cast<std::uint8_t>(interfaces_.size() - 1);
  out.add_channel_name(number, our_name(settings_.channels, interface), t_ns);
  return number;
}

bool recognise_candump_log(std::string_view head) {
  return !head.empty() && head.front() == '(';
}

}  // namespace

std::unique_ptr<Driver> make_candump_log(const DriverSettings& settings) {
  return std::make_unique<CandumpLog>(settings);
}

constinit const DriverEntry candump_log_entry = {.name = "candump",
                                                 .title = "CAN log, lines as candump -L writes them",
                                                 .make = make_candump_log,
                                                 .recognises = recognise_candump_log,
                                                 .open = open_for_reading};

}  // namespace cw
