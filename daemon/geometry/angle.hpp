// Angles on the crank circle. All in crank degrees.
#pragma once

namespace cw {

inline constexpr double deg_per_rev = 360.0;

// 1 rpm is 6 degrees a second (360 / 60); a nanosecond at r rpm is r * 6e-9 degrees.
inline constexpr double deg_per_s_per_rpm = 6.0;

// Speed in rpm of a crank that takes `ns_per_deg` over a degree; 0 where that is not positive (speed unknown).
inline double rpm_at(double ns_per_deg) {
  return ns_per_deg > 0 ? 1e9 / (deg_per_s_per_rpm * ns_per_deg) : 0;
}

// And back: ns per degree at `rpm` (> 0).
inline double ns_per_deg_at(double rpm) {
  return 1e9 / (deg_per_s_per_rpm * rpm);
}

// `angle_deg` taken modulo `cycle_deg` (> 0) into [0, cycle_deg).
double wrap_deg(double angle_deg, double cycle_deg);

// The signed difference `angle_deg` taken modulo `cycle_deg` (> 0) into [-cycle_deg/2, cycle_deg/2).
double wrap_signed_deg(double angle_deg, double cycle_deg);

}  // namespace cw
