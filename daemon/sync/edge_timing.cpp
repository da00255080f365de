#include "sync/edge_timing.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <vector>

namespace cw {

std::optional<double> edge_scatter_deg(std::span<const TimedTooth> teeth) {
  constexpr std::array<double, 5> weights = {1, -4, 6, -4, 1};
  constexpr double variances = 70;
  constexpr double median_of_chi_square = 0.4549;
  constexpr double same_deg = 1e-6;
  std::vector<double> squares;
  squares.reserve(teeth.size());
  for (std::size_t first = 0; first + weights.size() <= teeth.size(); ++first) {
    const std::span<const TimedTooth> five = teeth.subspan(first, weights.size());
    const double step_deg = five.front().step_deg;
    const bool even = std::all_of(five.begin(), five.end() - 1, [step_deg](const TimedTooth& tooth) {
      return std::fabs(tooth.step_deg - step_deg) < same_deg;
    });
    const auto all_ns = static_cast<double>(five.back().t_ns - five.front().t_ns);
    if (!even || all_ns <= 0) {
      continue;
    }
    const double ns_per_deg = all_ns / (4 * step_deg);
    double difference_deg = 0;
    for (std::size_t i = 0; i < weights.size(); ++i) {
      const double t_deg = static_cast<double>(five[i].t_ns - five.front().t_ns) / ns_per_deg;
      difference_deg += weights[i] * (t_deg - five[i].late_deg);
    }
    squares.push_back(difference_deg * difference_deg / variances);
  }
  if (squares.size() < scatter_fives_least) {
    return std::nullopt;
  }
  const auto middle = squares.begin() + static_cast<std::ptrdiff_t>(squares.size() / 2);
  std::nth_element(squares.begin(), middle, squares.end());
  return std::sqrt(*middle / median_of_chi_square);
}

void CounterTick::take(std::int64_t interval_ns) {
  if (divisor_ns_ == 0 || interval_ns % divisor_ns_ != 0) {
    divisor_ns_ = std::gcd(divisor_ns_, interval_ns);
  }
  shortest_ns_ = intervals_ == 0 ? interval_ns : std::min(shortest_ns_, interval_ns);
  ++intervals_;
}

std::int64_t CounterTick::tick_ns() const {
  constexpr int intervals_least = 32;
  constexpr std::int64_t tick_least_ns = 10;
  // Of intervals that are all alike, or of few kinds, the divisor is an interval and no tick.
  constexpr std::int64_t ticks_in_shortest = 8;
  const bool is_tick = divisor_ns_ >= tick_least_ns && divisor_ns_ <= shortest_ns_ / ticks_in_shortest;
  return intervals_ >= intervals_least && is_tick ? divisor_ns_ : 0;
}

}  // namespace cw
