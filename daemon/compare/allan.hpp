// Allan deviation: how much neighbouring means differ, by how many values are averaged.
#pragma once

#include <cstddef>
#include <optional>
#include <span>

namespace cw {

// Of `values` averaged in groups of `group`, without overlap: sqrt(1/2 mean of squared differences of neighbouring means)
// (NIST SP 1065, 5.2.2). Nothing with fewer than two groups.
std::optional<double> allan_deviation(std::span<const double> values, std::size_t group);

// Standard deviation of one value that would give means of many values the scatter that they have: for independent values
// their own standard deviation, for values that hang together more. The greatest of sqrt(m) x Allan deviation over groups
// of m = 1, 4, 16 and 64 of which there are at least six. Nothing with fewer than six values.
std::optional<double> long_run_deviation(std::span<const double> values);

}  // namespace cw
