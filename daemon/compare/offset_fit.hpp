// A wrong angle told from a delay: deviation = offset + 6 * rpm * delay (1 rpm is 6 degrees a second), deviation as
// DESIGN 2 has it: measured less expected, positive = the ECU's mark comes late.
//
// The delay is what is left of the ECU's path less its own compensation, plus isolator and conditioner at the mark, less
// the delay of our crank channel that the engine file does not know. All angles are relative to the teeth: what the wheel's own teeth are
// wrong by at the mark is in the offset.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "compare/steady_holds.hpp"

namespace cw {

inline constexpr double delay_believed_us_max = 500;  // beyond: 3 ms of dwell is 108 degrees at 6,000 rpm

// A number and half the width of its 95 % interval.
struct Estimate {
  double value = 0;
  double half_width = 0;
  double least() const { return value - half_width; }
  double greatest() const { return value + half_width; }
  bool may_be(double other) const { return least() <= other && other <= greatest(); }
};

enum class OffsetVerdict : std::uint8_t {
  nothing_usable,   // no steady running with a mark at locked advance
  cannot_tell_yet,  // an angle or a delay would both explain it: speeds too few or too near each other
  no_line,          // no angle and delay explain all speeds together
  no_error,         // both are zero, as far as can be told
  angle,            // an angle, and no delay that could be told
  delay,            // a delay, and no angle that could be told
  angle_and_delay,
  dwell_edge,  // a delay beyond 500 us: probably the edge at which the coil is switched on, not the spark
};
std::string_view to_string(OffsetVerdict verdict);

struct OffsetFit {
  OffsetVerdict verdict = OffsetVerdict::nothing_usable;
  // Of all holds used, whatever else can be told: the mean deviation, at the mean of their speeds.
  std::optional<Estimate> deviation_deg;
  double mean_rpm = 0;
  double least_rpm = 0;
  double greatest_rpm = 0;
  std::size_t readings = 0;
  // Absent when they can't be told apart. With no_line they are there, and worth little.
  std::optional<Estimate> offset_deg;
  std::optional<Estimate> delay_us;
  double residual_deg = 0;            // root mean square of what the line leaves
  double runs_p = 1;                  // of the runs test, along the speeds
  std::vector<bool> left_out;         // for each hold: far off the line that the others agree on
  std::vector<double> residuals_deg;  // for each hold, left out or not; empty without a line
};

// An angle below this and a delay below that count as none: more than the program can tell (DESIGN 8).
inline constexpr double angle_told_deg = 0.1;
inline constexpr double delay_told_us = 2;

// Four holds at three speeds or more are needed to tell them apart, the fastest at least half again as fast as the slowest. A
// hold's mean is one reading with an error of its own, whatever the number of its cycles; no hold counts as better than
// 0.01 degrees. Holds far off the line of the others (Theil-Sen) are left out, at most a quarter of them.
OffsetFit fit_offset(std::span<const Hold> holds);

}  // namespace cw
