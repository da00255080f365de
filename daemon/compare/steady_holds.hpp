// Stretches of steady running, put together from cycles: what offset, delay and a baseline are read from.
//
// Readings of one stretch go with one another (the same ripple, the same governor, the same temperature), so the unit of
// every interval here is the *hold*: all of the running at one speed without a break. Not steady enough: the speed changes by
// more than 0.3 % a cycle. An ECU that times its spark a quarter turn ahead is then off by no more than
// 90 deg / 2 * 0.3 % / 8 = 0.02 degrees.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

namespace cw {

// One cycle that has a deviation.
struct SteadyReading {
  std::int64_t t_ns = 0;
  double rpm = 0;  // at the mark
  double deviation_deg = 0;
  double uncertainty_deg = 0;  // 95 %, does not average away
};

// At least 2 s and 12 cycles at one speed.
struct SteadyStretch {
  std::int64_t start_ns = 0;
  std::int64_t end_ns = 0;
  std::uint32_t readings = 0;
  double rpm = 0;
  double deviation_deg = 0;    // robust mean
  double spread_deg = 0;       // robust standard deviation of one reading
  double uncertainty_deg = 0;  // median of the readings'
};

class StretchCollector {
 public:
  // A stretch that this reading completes.
  std::optional<SteadyStretch> take(const SteadyReading& reading);
  // The lock was lost: what comes next is not put together with what came before.
  void break_off() { recent_.clear(); }

 private:
  std::optional<SteadyStretch> judge();

  std::deque<SteadyReading> recent_;
};

// Stretches at one speed, one after another.
struct Hold {
  std::int64_t start_ns = 0;
  std::int64_t end_ns = 0;
  std::uint32_t readings = 0;
  std::uint32_t stretches = 0;
  double first_rpm = 0;
  double rpm = 0;  // means over its readings
  double deviation_deg = 0;
  double spread_deg = 0;              // standard deviation of one reading
  double uncertainty_deg = 0;         // 95 %, does not average away
  double squares = 0;                 // of the stretches' means about their mean, for stretch_spread_deg
  double stretch_spread_deg() const;  // standard deviation of a stretch's mean; 0 for one
};

// The holds so far, in order of time. Bounded: beyond `holds_max` the oldest of the commonest speed goes.
class Holds {
 public:
  static constexpr std::size_t holds_max = 128;

  void take(const SteadyStretch& stretch);
  const std::vector<Hold>& all() const { return holds_; }
  void forget_before(std::int64_t t_ns);  // holds that began before

 private:
  void make_room();

  std::vector<Hold> holds_;
};

}  // namespace cw
