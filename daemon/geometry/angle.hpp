// Angles on the crank circle. All in crank degrees.
#pragma once

namespace cw {

inline constexpr double deg_per_rev = 360.0;

// 1 rpm is 6 degrees a second (360 / 60); a nanosecond at r rpm is r * 6e-9 degrees.
inline constexpr double deg_per_s_per_rpm = 6.0;

// `angle_deg` taken modulo `cycle_deg` (> 0) into [0, cycle_deg).
double wrap_deg(double angle_deg, double cycle_deg);

// The signed difference `angle_deg` taken modulo `cycle_deg` (> 0) into [-cycle_deg/2, cycle_deg/2).
double wrap_signed_deg(double angle_deg, double cycle_deg);

}  // namespace cw
