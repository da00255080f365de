#include "items/can_frame_text.hpp"

#include <algorithm>
#include <cstdint>
#include <optional>
#include <span>

namespace cw {

namespace {

constexpr std::uint32_t error_flag = 0x20000000;  // CAN_ERR_FLAG of linux/can.h
constexpr std::string_view hex = "0123456789ABCDEF";

std::optional<unsigned> hex_digit(std::string_view text, std::size_t at) {
  if (at >= text.size()) {
    return std::nullopt;
  }
  const char c = text[at];
  if (c >= '0' && c <= '9') {
    return static_cast<unsigned>(c - '0');
  }
  const char upper = static_cast<char>(c & ~0x20);
  return upper >= 'A' && upper <= 'F' ? std::optional(static_cast<unsigned>(upper - 'A' + 10)) : std::nullopt;
}

// Reads on from `at`; the first problem stays.
struct Cursor {
  std::string_view text;
  std::size_t at = 0;
  std::optional<CanTextProblem> problem = std::nullopt;

  bool next_is(char c) const { return at < text.size() && text[at] == c; }
  void expected(std::string_view what) {
    if (!problem) {
      problem = CanTextProblem{at, what};
    }
  }
};

void read_id(Cursor& in, CanFrame& frame) {
  const std::size_t digits = std::min(in.text.find('#'), in.text.size());
  std::uint32_t id = 0;
  for (; in.at < digits && in.at < 8; ++in.at) {
    const auto digit = hex_digit(in.text, in.at);
    if (!digit) {
      return in.expected("a hex digit of the identifier");
    }
    id = id << 4 | *digit;
  }
  if (digits != 3 && digits != 8) {
    return in.expected("an identifier of 3 or 8 hex digits, then #");
  }
  in.at = 0;
  frame.error = digits == 8 && (id & ~can_extended_id_max) == error_flag;
  frame.extended = digits == 8 && !frame.error;
  frame.id = frame.error ? id & can_extended_id_max : id;
  if (!frame.error && id > (frame.extended ? can_extended_id_max : can_id_max)) {
    return in.expected(frame.extended ? "an identifier of at most 1FFFFFFF, or an error frame's (20000000 and up)"
                                      : "an identifier of at most 7FF");
  }
  in.at = digits;
  if (!in.next_is('#')) {
    return in.expected("# after the identifier");
  }
  ++in.at;
}

// _9 to _F after the eighth byte (candump -8): the length code on the wire, where the length is 8.
void skip_raw_length_code(Cursor& in) {
  if (!in.next_is('_')) {
    return;
  }
  const auto digit = hex_digit(in.text, in.at + 1);
  if (!digit || *digit <= can_length_max) {
    ++in.at;
    return in.expected("a raw length code from 9 to F");
  }
  in.at += 2;
}

void read_remote(Cursor& in, CanFrame& frame) {
  frame.remote = true;
  ++in.at;
  if (in.at == in.text.size()) {
    return;
  }
  const auto digit = hex_digit(in.text, in.at);
  if (!digit || *digit > can_length_max) {
    return in.expected("a length from 0 to 8, or the end");
  }
  frame.length = static_cast<std::uint8_t>(*digit);
  ++in.at;
  if (frame.length == can_length_max) {
    skip_raw_length_code(in);
  }
}

void read_data(Cursor& in, CanFrame& frame) {
  const std::size_t bytes_max = frame.fd ? frame.data.size() : can_length_max;
  std::size_t count = 0;
  while (in.at < in.text.size() && !in.next_is('_') && count < bytes_max) {
    if (count > 0 && in.next_is('.')) {
      ++in.at;
    }
    for (const std::size_t at : {in.at, in.at + 1}) {
      if (!hex_digit(in.text, at)) {
        in.at = std::min(at, in.text.size());
        return in.expected("a byte of two hex digits");
      }
    }
    frame.data.at(count++) = static_cast<std::byte>(*hex_digit(in.text, in.at) << 4 | *hex_digit(in.text, in.at + 1));
    in.at += 2;
  }
  frame.length = static_cast<std::uint8_t>(count);
  if (frame.fd && in.at == in.text.size() && !can_length_is_sound(count, true)) {
    return in.expected("0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes of data");
  }
  if (!frame.fd && count == can_length_max) {
    skip_raw_length_code(in);
  }
}

void read_fd_flags(Cursor& in, CanFrame& frame) {
  frame.fd = true;
  ++in.at;
  const auto flags = hex_digit(in.text, in.at);
  if (!flags) {
    return in.expected("a hex digit of CAN FD flags");
  }
  frame.bit_rate_switch = (*flags & 1U) != 0;
  frame.error_state_indicator = (*flags & 2U) != 0;
  ++in.at;
}

void write_hex(std::string& out, std::uint32_t value, int digits) {
  for (int i = digits - 1; i >= 0; --i) {
    out += hex[value >> (4 * i) & 0xf];
  }
}

}  // namespace

std::variant<CanFrame, CanTextProblem> parse_can_frame(std::string_view text) {
  Cursor in{text};
  CanFrame frame;
  read_id(in, frame);
  if (!in.problem && in.next_is('#')) {
    read_fd_flags(in, frame);
  }
  if (!in.problem) {
    if (!frame.fd && (in.next_is('R') || in.next_is('r'))) {
      read_remote(in, frame);
    } else {
      read_data(in, frame);
    }
  }
  if (in.at < in.text.size()) {
    in.expected("the end of the frame");
  }
  if (in.problem) {
    return *in.problem;
  }
  return frame;
}

std::string can_frame_text(const CanFrame& frame) {
  std::string out;
  write_hex(out, frame.error ? frame.id | error_flag : frame.id, frame.extended || frame.error ? 8 : 3);
  out += '#';
  if (frame.remote) {
    out += 'R';
    if (frame.length > 0) {
      write_hex(out, frame.length, 1);
    }
    return out;
  }
  if (frame.fd) {
    out += '#';
    write_hex(out, (frame.bit_rate_switch ? 1U : 0U) | (frame.error_state_indicator ? 2U : 0U), 1);
  }
  const std::size_t length = std::min<std::size_t>(frame.length, frame.data.size());
  for (const std::byte byte : std::span(frame.data).first(length)) {
    write_hex(out, std::to_integer<std::uint32_t>(byte), 2);
  }
  return out;
}

}  // namespace cw
