#include "config/dbc_tokens.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>

namespace cw {

namespace {

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}

bool is_word(char c) {
  return is_digit(c) || (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '_' ||
         static_cast<unsigned char>(c) >= 0x80;
}

bool is_space(char c) {
  return c == ' ' || (c >= '\t' && c <= '\r');
}

constexpr std::string_view signs = ":;|@+-()[],";

// Length of the number at the start of `text`; 0 when none stands there.
std::size_t number_length(std::string_view text) {
  const auto digits_from = [&](std::size_t at) {
    while (at < text.size() && is_digit(text[at])) {
      ++at;
    }
    return at;
  };
  const std::size_t begin = !text.empty() && (text[0] == '+' || text[0] == '-') ? 1 : 0;
  std::size_t end = digits_from(begin);
  std::size_t digits = end - begin;
  if (end < text.size() && text[end] == '.') {
    const std::size_t fraction_end = digits_from(end + 1);
    digits += fraction_end - end - 1;
    end = fraction_end;
  }
  if (digits == 0) {
    return 0;
  }
  if (end < text.size() && (text[end] == 'e' || text[end] == 'E')) {
    const std::size_t sign = end + 1 < text.size() && (text[end + 1] == '+' || text[end + 1] == '-') ? 1 : 0;
    const std::size_t exponent_end = digits_from(end + 1 + sign);
    end = exponent_end > end + 1 + sign ? exponent_end : end;
  }
  return end;
}

// Bytes of the UTF-8 sequence at `at`; 0 when it is not valid (RFC 3629: shortest form, no surrogates, to U+10FFFF).
std::size_t utf8_length(std::string_view text, std::size_t at) {
  const auto byte = [&](std::size_t i) { return at + i < text.size() ? static_cast<unsigned char>(text[at + i]) : 0; };
  const auto more = [&](std::size_t i) { return (byte(i) & 0xc0) == 0x80; };
  const int first = byte(0);
  if (first < 0x80) {
    return 1;
  }
  if (first >= 0xc2 && first <= 0xdf) {
    return more(1) ? 2 : 0;
  }
  if (first >= 0xe0 && first <= 0xef) {
    const int least = first == 0xe0 ? 0xa0 : 0x80;
    const int most = first == 0xed ? 0x9f : 0xbf;
    return byte(1) >= least && byte(1) <= most && more(2) ? 3 : 0;
  }
  if (first >= 0xf0 && first <= 0xf4) {
    const int least = first == 0xf0 ? 0x90 : 0x80;
    const int most = first == 0xf4 ? 0x8f : 0xbf;
    return byte(1) >= least && byte(1) <= most && more(2) && more(3) ? 4 : 0;
  }
  return 0;
}

bool is_utf8(std::string_view text) {
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t length = utf8_length(text, at);
    if (length == 0) {
      return false;
    }
    at += length;
  }
  return true;
}

}  // namespace

DbcTokens::DbcTokens(std::string_view text) : text_(text) {
  advance();
  advance();
}

void DbcTokens::advance() {
  now_ = next_;
  next_ = read();
}

DbcToken DbcTokens::read_text() {
  DbcToken token{DbcTokenKind::text, {}, line_, false};
  const std::size_t begin = ++at_;
  while (at_ < text_.size() && text_[at_] != '"') {
    if (text_[at_] == '\n') {
      ++line_;
      line_begin_ = at_ + 1;
    }
    at_ += text_.substr(at_, 2) == "\\\"" ? 2 : 1;
  }
  token.text = text_.substr(begin, at_ - begin);
  if (at_ >= text_.size()) {
    token.kind = DbcTokenKind::bad;
    return token;
  }
  ++at_;
  return token;
}

DbcToken DbcTokens::read() {
  for (; at_ < text_.size() && is_space(text_[at_]); ++at_) {
    if (text_[at_] == '\n') {
      ++line_;
      line_begin_ = at_ + 1;
    }
  }
  DbcToken token{DbcTokenKind::end, {}, line_, at_ == line_begin_};
  if (at_ >= text_.size()) {
    return token;
  }
  const std::string_view rest = text_.substr(at_);
  if (rest[0] == '"') {
    return read_text();
  }
  std::size_t length = number_length(rest);
  if (length > 0) {
    token.kind = DbcTokenKind::number;
  } else if (is_word(rest[0])) {
    token.kind = DbcTokenKind::word;
    length = static_cast<std::size_t>(std::ranges::find_if_not(rest, is_word) - rest.begin());
  } else {
    token.kind = signs.find(rest[0]) == std::string_view::npos ? DbcTokenKind::bad : DbcTokenKind::sign;
    length = 1;
  }
  token.text = rest.substr(0, length);
  at_ += length;
  return token;
}

std::optional<double> dbc_number(std::string_view text) {
  text.remove_prefix(text.starts_with('+') ? 1 : 0);
  double value = 0;
  const auto result = std::from_chars(text.data(), text.data() + text.size(), value);
  if (result.ec != std::errc() || result.ptr != text.data() + text.size() || !std::isfinite(value)) {
    return std::nullopt;
  }
  return value;
}

std::optional<std::uint64_t> dbc_whole(std::string_view text) {
  const bool negative = text.starts_with('-');
  text.remove_prefix(negative || text.starts_with('+') ? 1 : 0);
  std::uint64_t value = 0;
  const auto result = std::from_chars(text.data(), text.data() + text.size(), value);
  if (result.ec != std::errc() || result.ptr != text.data() + text.size()) {
    return std::nullopt;
  }
  return negative ? ~value + 1 : value;
}

std::string dbc_text(std::string_view text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    i += text.substr(i, 2) == "\\\"" ? 1 : 0;
    out += text[i];
  }
  return out;
}

std::string dbc_utf8(std::string_view file) {
  constexpr std::string_view byte_order_mark = "\xef\xbb\xbf";
  if (is_utf8(file)) {
    return std::string(file.substr(file.starts_with(byte_order_mark) ? byte_order_mark.size() : 0));
  }
  std::string out;
  for (const char c : file) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte < 0x80) {
      out += c;
    } else {
      out += static_cast<char>(0xc0 | byte >> 6);
      out += static_cast<char>(0x80 | (byte & 0x3f));
    }
  }
  return out;
}

}  // namespace cw
