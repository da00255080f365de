// Which known word was probably meant.
#pragma once

#include <cstddef>
#include <span>
#include <string_view>

namespace cw {

// Levenshtein distance: insertions, deletions and replacements that turn one text into the other; of their first 64
// bytes.
std::size_t edit_distance(std::string_view a, std::string_view b);

// The first of the nearest; empty when `known` is.
std::string_view nearest_word(std::string_view word, std::span<const std::string_view> known);

}  // namespace cw
