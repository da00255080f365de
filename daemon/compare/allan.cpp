#include "compare/allan.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

std::optional<double> allan_deviation(std::span<const double> values, std::size_t group) {
  const std::size_t groups = group > 0 ? values.size() / group : 0;
  if (groups < 2) {
    return std::nullopt;
  }
  double before = 0;
  double squares = 0;
  for (std::size_t g = 0; g < groups; ++g) {
    double sum = 0;
    for (std::size_t i = 0; i < group; ++i) {
      sum += values[g * group + i];
    }
    const double mean = sum / static_cast<double>(group);
    if (g > 0) {
      squares += (mean - before) * (mean - before);
    }
    before = mean;
  }
  return std::sqrt(squares / (2 * static_cast<double>(groups - 1)));
}

std::optional<double> long_run_deviation(std::span<const double> values) {
  constexpr std::size_t groups_least = 6;
  std::optional<double> most;
  for (const std::size_t group : {1U, 4U, 16U, 64U}) {
    if (values.size() >= groups_least * group) {
      const double one = *allan_deviation(values, group) * std::sqrt(static_cast<double>(group));
      most = std::max(most.value_or(0.0), one);
    }
  }
  return most;
}

}  // namespace cw
