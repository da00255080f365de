// Numbers as text, the same in every locale.
#pragma once

#include <algorithm>
#include <array>
#include <charconv>
#include <string>

namespace cw::campaign {

inline std::string fixed(double value, int digits) {
  std::array<char, 64> buffer{};
  const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value, std::chars_format::fixed, digits);
  return {buffer.data(), end.ptr};
}

inline std::string percent(double share, int digits = 2) {
  return fixed(100.0 * share, digits) + " %";
}

inline std::string padded(std::string text, std::size_t width) {
  text.resize(std::max(width, text.size()), ' ');
  return text;
}

inline std::string right(const std::string& text, std::size_t width) {
  return text.size() >= width ? text : std::string(width - text.size(), ' ') + text;
}

}  // namespace cw::campaign
