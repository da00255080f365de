#include "drivers/candump_line.hpp"

#include <algorithm>
#include <optional>

namespace cw {

namespace {

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::size_t second_digits_max = 10;
constexpr std::int64_t seconds_max = INT64_MAX / ns_per_s - 1;
constexpr std::size_t fraction_digits = 9;
constexpr std::size_t interface_bytes_max = 15;  // IFNAMSIZ less the end
constexpr std::size_t id_digits = 3;
constexpr std::size_t extended_id_digits = 8;
constexpr std::uint32_t error_id_flag = 0x20000000;  // CAN_ERR_FLAG of linux/can.h

// CANFD_BRS, CANFD_ESI, CANFD_FDF of linux/can.h.
constexpr int bit_rate_switch_bit = 1;
constexpr int error_state_bit = 2;
constexpr int fd_flags_max = 7;

bool is_digit(char letter) {
  return letter >= '0' && letter <= '9';
}

int hex_value(char letter) {
  if (is_digit(letter)) {
    return letter - '0';
  }
  const char small = static_cast<char>(letter | 0x20);
  return small >= 'a' && small <= 'f' ? small - 'a' + 10 : -1;
}

// Walks along the line; each step takes its part or notes what should have stood there.
class LineReader {
 public:
  explicit LineReader(std::string_view line) : line_(line) {}

  std::variant<CandumpLine, CandumpFault> read() {
    if (take_time() && take_interface() && take_frame() && take_direction()) {
      return out_;
    }
    return fault_;
  }

 private:
  bool at_end() const { return at_ == line_.size(); }
  char letter() const { return at_end() ? '\0' : line_[at_]; }

  bool fail(std::string_view expected) { return fail_at(at_, expected); }
  bool fail_at(std::size_t at, std::string_view expected) {
    fault_ = {at, expected};
    return false;
  }

  bool take(char wanted, std::string_view expected) {
    if (at_end() || line_[at_] != wanted) {
      return fail(expected);
    }
    ++at_;
    return true;
  }

  // Digits from here on, at most `digits_max` of them; how many.
  std::size_t take_number(std::size_t digits_max, std::int64_t& value) {
    std::size_t digits = 0;
    for (value = 0; digits < digits_max && is_digit(letter()); ++digits, ++at_) {
      value = value * 10 + (line_[at_] - '0');
    }
    return digits;
  }

  bool take_time() {
    std::int64_t seconds = 0;
    std::int64_t fraction = 0;
    if (!take('(', "\"(\" before the time")) {
      return false;
    }
    const std::size_t begin = at_;
    if (take_number(second_digits_max, seconds) == 0 || seconds > seconds_max) {
      return fail_at(begin, "seconds since 1970, at most 9223372035");
    }
    if (!take('.', "\".\" after the seconds, of which there are at most 10 digits")) {
      return false;
    }
    const std::size_t digits = take_number(fraction_digits, fraction);
    if (digits == 0) {
      return fail("1 to 9 digits of a second");
    }
    for (std::size_t i = digits; i < fraction_digits; ++i) {
      fraction *= 10;
    }
    out_.t_ns = seconds * ns_per_s + fraction;
    return take(')', "\")\" after 1 to 9 digits of a second") && take(' ', "a space after the time");
  }

  bool take_interface() {
    out_.interface_at = at_;
    const std::size_t end = std::min(line_.find(' ', at_), line_.size());
    out_.interface = line_.substr(at_, end - at_);
    const bool printable =
        std::all_of(out_.interface.begin(), out_.interface.end(), [](char one) { return one > ' ' && one < '\x7F'; });
    if (out_.interface.empty() || out_.interface.size() > interface_bytes_max || !printable) {
      return fail("the name of an interface, 1 to 15 printable characters");
    }
    at_ = end;
    return take(' ', "a space after the interface");
  }

  bool take_id() {
    const std::size_t begin = at_;
    std::uint32_t id = 0;
    for (; at_ - begin < extended_id_digits && hex_value(letter()) >= 0; ++at_) {
      id = id << 4U | static_cast<std::uint32_t>(hex_value(line_[at_]));
    }
    const std::size_t digits = at_ - begin;
    CanFrame& frame = out_.frame;
    if (digits == id_digits) {
      frame.id = id;
      return id <= can_id_max || fail_at(begin, "an identifier of 11 bits (000 to 7FF) in 3 digits");
    }
    if (digits != extended_id_digits) {
      return fail_at(begin, "an identifier of 3 or 8 hexadecimal digits");
    }
    frame.error = (id & error_id_flag) != 0;
    frame.extended = !frame.error;
    frame.id = frame.error ? id & ~error_id_flag : id;
    return frame.id <= can_extended_id_max ||
           fail_at(begin, "an identifier of 29 bits (to 1FFFFFFF), or an error frame (from 20000000 to 3FFFFFFF)");
  }

  bool take_frame() {
    if (!take_id() || !take('#', "\"#\" after the identifier")) {
      return false;
    }
    if (letter() == '#') {
      return take_fd();
    }
    if (letter() == 'R' || letter() == 'r') {
      return take_remote();
    }
    return take_data("pairs of hexadecimal digits, at most 8 of them") && take_length_code();
  }

  bool take_fd() {
    if (out_.frame.error) {
      return fail("the data of an error frame, which is no frame of CAN FD");
    }
    ++at_;
    const int flags = hex_value(letter());
    if (flags < 0 || flags > fd_flags_max) {
      return fail("one digit of CAN FD flags, 0 to 7");
    }
    ++at_;
    out_.frame.fd = true;
    out_.frame.bit_rate_switch = (flags & bit_rate_switch_bit) != 0;
    out_.frame.error_state_indicator = (flags & error_state_bit) != 0;
    const std::size_t begin = at_;
    return take_data("pairs of hexadecimal digits, at most 64 of them") &&
           (can_length_is_sound(out_.frame.length, true) ||
            fail_at(begin, "a length of CAN FD: 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes of data"));
  }

  bool take_remote() {
    if (out_.frame.error) {
      return fail("the data of an error frame, which is no remote frame");
    }
    ++at_;
    out_.frame.remote = true;
    if (is_digit(letter())) {
      const int length = hex_value(letter());
      if (length > static_cast<int>(can_length_max)) {
        return fail("the length of a remote frame, 0 to 8");
      }
      out_.frame.length = static_cast<std::uint8_t>(length);
      ++at_;
    }
    return take_length_code();
  }

  bool take_data(std::string_view expected) {
    CanFrame& frame = out_.frame;
    const std::size_t most = frame.fd ? can_fd_length_max : can_length_max;
    for (; hex_value(letter()) >= 0; at_ += 2) {
      const int low = at_ + 1 < line_.size() ? hex_value(line_[at_ + 1]) : -1;
      if (low < 0 || frame.length == most) {
        return fail(expected);
      }
      frame.data.at(frame.length++) = static_cast<std::byte>(hex_value(line_[at_]) << 4 | low);
    }
    return at_end() || letter() == ' ' || letter() == '_' || fail(expected);
  }

  bool take_length_code() {
    if (letter() != '_') {
      return true;
    }
    const int code = at_ + 1 < line_.size() ? hex_value(line_[at_ + 1]) : -1;
    if (out_.frame.length != can_length_max || code <= static_cast<int>(can_length_max)) {
      return fail("a raw length code _9 to _F only after a length of 8");
    }
    at_ += 2;
    return true;
  }

  bool take_direction() {
    constexpr std::string_view expected = "the end of the line, \" R\" or \" T\"";
    if (at_end()) {
      return true;
    }
    const std::string_view rest = line_.substr(at_);
    return rest == " R" || rest == " T" || fail(expected);
  }

  std::string_view line_;
  std::size_t at_ = 0;
  CandumpLine out_;
  CandumpFault fault_;
};

}  // namespace

std::variant<CandumpLine, CandumpFault> parse_candump_line(std::string_view line) {
  return LineReader(line).read();
}

std::string candump_time(std::int64_t t_ns) {
  const std::string fraction = std::to_string(t_ns % ns_per_s);
  return std::to_string(t_ns / ns_per_s) + "." + std::string(fraction_digits - fraction.size(), '0') + fraction;
}

}  // namespace cw
