#include "simulate/slider_crank.hpp"

#include <cmath>

namespace cw::sim {

double piston_travel(double theta_rad, double rod_ratio) {
  const double s = std::sin(theta_rad);
  return 1.0 - std::cos(theta_rad) + rod_ratio - std::sqrt(rod_ratio * rod_ratio - s * s);
}

double piston_speed(double theta_rad, double rod_ratio) {
  const double s = std::sin(theta_rad);
  const double c = std::cos(theta_rad);
  return s + s * c / std::sqrt(rod_ratio * rod_ratio - s * s);
}

double piston_acceleration(double theta_rad, double rod_ratio) {
  const double s = std::sin(theta_rad);
  const double c = std::cos(theta_rad);
  const double d = rod_ratio * rod_ratio - s * s;
  return c + ((c * c - s * s) * d + s * s * c * c) / (d * std::sqrt(d));
}

double piston_speed_first_order(double theta_rad, double rod_ratio) {
  return std::sin(theta_rad) + std::sin(2.0 * theta_rad) / (2.0 * rod_ratio);
}

}  // namespace cw::sim
