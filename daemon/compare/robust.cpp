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

}  // namespace cw
