// Limits that more than one part of the decoder goes by.
#pragma once

#include <cstdint>
#include <limits>

namespace cw::crank_limits {

// An explanation is taken when no other is nearer than this, in natural-log units, where much was odd.
inline constexpr double decided_margin_heavy = 16.0;
// On a slow crank one or two missed teeth are believed; more may be a crank that turned back (crank_turning.cpp).
inline constexpr int missed_when_slow_max = 2;
// Below this a missed tooth beside the gap can pass for a dip in speed: its gap is then a third longer, and speed may
// change by as much as that over it.
inline constexpr double unsure_rpm = 1200;
// Compression and friction slow a crank down by no more than about this (simulated engines: 12,000 to 30,000), so from
// more than sqrt(2 x this x step) it can't stop between two teeth.
inline constexpr double slowing_max_deg_s2 = 40'000;
// Teeth farther apart than this: compression changes speed as much from one to the next as a gap would.
inline constexpr double coarse_pitch_deg = 18;
// An edge after which the time for a degree is at most so many times that of the step before, or the inverse, is the next
// tooth without further thought.
inline constexpr double next_tooth_ratio_max = 1.25;
inline constexpr std::uint64_t no_mark = std::numeric_limits<std::uint64_t>::max();

}  // namespace cw::crank_limits
