// How exactly edges are timed, from a turn of them: their scatter in angle, and the tick of the counter that stamped them.
#pragma once

#include <cstdint>
#include <optional>
#include <span>

namespace cw {

struct TimedTooth {
  std::int64_t t_ns = 0;
  double step_deg = 0;  // to the next tooth
  double late_deg = 0;  // how late the tooth stands, as far as that is known
};

// Standard deviation of one edge in degrees, pitch errors of the wheel, jitter and tick together. From fourth differences of
// five teeth at even steps: what they leave of speed that changes smoothly is next to nothing (of a wave of 20 degrees a step
// 1.5 %), and their variance is 1 + 16 + 36 + 16 + 1 = 70 times that of one edge. By the median of the squares (0.4549 of
// the variance of a normal value: the median of chi-square with one degree of freedom, NIST e-Handbook 1.3.6.6.6), so that a
// bent tooth or two don't count. Nothing with fewer than `scatter_fives_least` such fives.
inline constexpr std::size_t scatter_fives_least = 8;
std::optional<double> edge_scatter_deg(std::span<const TimedTooth> teeth);

// The tick of the counter: the greatest that all intervals are multiples of. Where the counter's rate is no whole number of ns
// a tick, time stamps are rounded to ns and none is found; nor is one where there are less than eight of them in an interval.
class CounterTick {
 public:
  void take(std::int64_t interval_ns);

  // 0 until enough intervals were seen, and when it is no more than a few ns.
  std::int64_t tick_ns() const;

 private:
  std::int64_t divisor_ns_ = 0;
  std::int64_t shortest_ns_ = 0;
  int intervals_ = 0;
};

}  // namespace cw
