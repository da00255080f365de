#include "compare/cusum.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

namespace {

constexpr double overshoot = 1.166;  // what a sum of normal values jumps over both of its ends by, in the mean

}  // namespace

int Cusum::take(double value, const CusumPlan& plan) {
  const double kept = std::clamp(value, -plan.value_most, plan.value_most);
  high = std::max(0.0, high + kept - plan.allowance);
  low = std::max(0.0, low - kept - plan.allowance);
  if (high > plan.threshold) {
    return 1;
  }
  return low > plan.threshold ? -1 : 0;
}

double cusum_run_length(double mean, double allowance, double threshold) {
  const double drift = mean - allowance;
  const double height = threshold + overshoot;
  constexpr double level = 1e-6;
  if (std::fabs(drift) < level) {
    return height * height;  // the limit of the formula
  }
  return (std::exp(-2 * drift * height) + 2 * drift * height - 1) / (2 * drift * drift);
}

double cusum_threshold(double allowance, double run_length) {
  double low = 0;
  double high = 1;
  while (cusum_run_length(0, allowance, high) < run_length) {
    high *= 2;
  }
  constexpr int halvings = 60;
  for (int i = 0; i < halvings; ++i) {
    const double middle = (low + high) / 2;
    (cusum_run_length(0, allowance, middle) < run_length ? low : high) = middle;
  }
  return high;
}

}  // namespace cw
