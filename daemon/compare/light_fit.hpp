// The same from timing-light readings: each within a known bound of the truth, and nothing said about how they scatter. One
// person at one mark repeats an error, so bounds are not averaged: what is told is every angle and delay that no reading
// contradicts (bounded-error estimation: Milanese and Belforte, IEEE Trans. Automatic Control 27, 1982).
#pragma once

#include <optional>
#include <span>

#include "compare/offset_fit.hpp"

namespace cw {

struct LightReading {
  double seen_deg = 0;       // before TDC, as the light shows it; negative = after
  double commanded_deg = 0;  // before TDC, as locked in the ECU
  std::optional<double> rpm;
};

// How late the spark came: commanded less seen, judged modulo 360: a light can't tell the turns apart. -180 up to 180.
double lateness_deg(const LightReading& reading);

// `bound_deg` > 0: each reading is within it of the truth. At most 100 readings. Half widths are bounds, not 95 %.
// verdict: no_line when no angle and delay agree with all readings; cannot_tell_yet when a speed is missing, or an angle
// alone and a delay alone would both do. Delays beyond 500 us either way are not considered.
OffsetFit fit_light(std::span<const LightReading> readings, double bound_deg);
inline constexpr std::size_t light_readings_max = 100;

}  // namespace cw
