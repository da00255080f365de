#include "geometry/angle.hpp"

#include <cmath>

namespace cw {

double wrap_deg(double angle_deg, double cycle_deg) {
  // Within two cycles the remainder is exact without a division.
  if (angle_deg >= 0 && angle_deg < 2 * cycle_deg) {
    return angle_deg < cycle_deg ? angle_deg : angle_deg - cycle_deg;
  }
  const double wrapped = std::fmod(angle_deg, cycle_deg);
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
