#include "geometry/angle.hpp"

#include <cmath>
#include <cstdint>

namespace cw {

namespace {

// The remainder of an angle that is not negative, exactly as fmod gives it, but without its loop over the bits of the
// quotient: positions that have been counted up for hours are many cycles.
double remainder_deg(double angle_deg, double cycle_deg) {
  constexpr double whole_max = 4096;
  constexpr double angle_max_deg = 1e12;
  if (angle_deg < cycle_deg) {
    return angle_deg;
  }
  const bool small = cycle_deg <= whole_max && angle_deg <= angle_max_deg;
  if (!small || cycle_deg != static_cast<double>(static_cast<std::int64_t>(cycle_deg))) {
    return std::fmod(angle_deg, cycle_deg);
  }
  // Whole numbers so small that their product is exact, and so is what is left then. The quotient may have been rounded up.
  const double left_deg = angle_deg - static_cast<double>(static_cast<std::int64_t>(angle_deg / cycle_deg)) * cycle_deg;
  return left_deg < 0 ? left_deg + cycle_deg : left_deg;
}

}  // namespace

double wrap_deg(double angle_deg, double cycle_deg) {
  if (angle_deg >= 0) {
    return remainder_deg(angle_deg, cycle_deg);
  }
  const double wrapped = -remainder_deg(-angle_deg, cycle_deg);
  if (wrapped >= 0) {
    return wrapped;
  }
  // A tiny negative remainder plus the cycle can round up to the cycle itself.
  const double lifted = wrapped + cycle_deg;
  return lifted < cycle_deg ? lifted : 0.0;
}

double wrap_signed_deg(double angle_deg, double cycle_deg) {
  const double wrapped = wrap_deg(angle_deg + cycle_deg / 2, cycle_deg);
  return wrapped - cycle_deg / 2;
}

}  // namespace cw
