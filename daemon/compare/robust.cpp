#include "compare/robust.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>

namespace cw {

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  const double upper = *middle;
  if (values.size() % 2 == 1) {
    return upper;
  }
  return (upper + *std::max_element(values.begin(), middle)) / 2;
}

RobustMean robust_mean(std::span<const double> values) {
  constexpr double normal_consistency = 1.4826;
  constexpr double spreads_kept = 3;
  const double middle = median({values.begin(), values.end()});
  std::vector<double> distance;
  for (const double value : values) {
    distance.push_back(std::fabs(value - middle));
  }
  const double spread = normal_consistency * median(std::move(distance));
  double sum = 0;
  int count = 0;
  for (const double value : values) {
    if (std::fabs(value - middle) <= spreads_kept * spread) {
      sum += value;
      ++count;
    }
  }
  return {count > 0 ? sum / count : middle, spread};
}

Fences outer_fences(double first_quartile, double third_quartile) {
  constexpr double ranges = 3;
  const double beyond = ranges * (third_quartile - first_quartile);
  return {first_quartile - beyond, third_quartile + beyond};
}

Fences outer_fences(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  // Percentile p of n values stands at p (n + 1), between two of them in proportion (NIST e-Handbook 7.2.6.2).
  const auto at = [&](double share) {
    const double place =
        std::clamp(share * (static_cast<double>(values.size()) + 1), 1.0, static_cast<double>(values.size()));
    const auto below = static_cast<std::size_t>(place) - 1;
    const std::size_t above = std::min(below + 1, values.size() - 1);
    return values[below] + (place - std::floor(place)) * (values[above] - values[below]);
  };
  constexpr double quarter = 0.25;
  return outer_fences(at(quarter), at(1 - quarter));
}

}  // namespace cw
