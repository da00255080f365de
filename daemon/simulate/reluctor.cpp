#include "simulate/reluctor.hpp"

#include <algorithm>
#include <cmath>

namespace cw::sim {

namespace {

// Slower than this the formulas would go astray; the sensor gives next to nothing there.
constexpr double rpm_least = 1;

// Twice the voltage that reaches the middle of the space from each flank, with the sensor's peak 1.
double middle_share(double space_deg, double fade_deg) {
  return 2 * std::exp(-space_deg / (2 * fade_deg));
}

double unbounded_deg(const Reluctor& reluctor, double space_deg, double fade_deg, double rpm) {
  const double ratio = reluctor.threshold_rpm / std::max(rpm, rpm_least);
  return -fade_deg * std::asinh(ratio / middle_share(space_deg, fade_deg));
}

}  // namespace

double crossing_deg(const Reluctor& reluctor, double space_deg, double fade_deg, double rpm) {
  const double most_deg = std::max(space_deg / 2 - fade_deg, 0.0);
  return std::clamp(unbounded_deg(reluctor, space_deg, fade_deg, rpm), -most_deg, most_deg);
}

double crossing_scatter_deg(const Reluctor& reluctor, double space_deg, double fade_deg, double rpm) {
  const double steep = std::cosh(unbounded_deg(reluctor, space_deg, fade_deg, rpm) / fade_deg);
  const double noise = reluctor.noise_rpm / std::max(rpm, rpm_least);
  return std::min(fade_deg * noise / (middle_share(space_deg, fade_deg) * steep), space_deg / 4);
}

}  // namespace cw::sim
