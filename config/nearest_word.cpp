#include "config/nearest_word.hpp"

#include <algorithm>
#include <vector>

namespace cw {

namespace {

// Longer words than this are cut before they are compared: no known word is nearly as long.
constexpr std::size_t compared_bytes_max = 64;

}  // namespace

std::size_t edit_distance(std::string_view a, std::string_view b) {
  a = a.substr(0, compared_bytes_max);
  b = b.substr(0, compared_bytes_max);
  std::vector<std::size_t> row(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) {
    row[j] = j;
  }
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::size_t diagonal = row[0];
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t replaced = diagonal + (a[i - 1] == b[j - 1] ? 0 : 1);
      diagonal = row[j];
      row[j] = std::min({row[j] + 1, row[j - 1] + 1, replaced});
    }
  }
  return row[b.size()];
}

std::string_view nearest_word(std::string_view word, std::span<const std::string_view> known) {
  const auto nearest = std::ranges::min_element(
      known, {}, [word](std::string_view candidate) { return edit_distance(word, candidate); });
  return nearest == known.end() ? std::string_view() : *nearest;
}

}  // namespace cw
