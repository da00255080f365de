#include "compare/offset_entry.hpp"

#include <cmath>

#include "geometry/angle.hpp"

namespace cw {

namespace {

// Degrees from tooth to tooth, missing ones counted; nothing where they are uneven.
std::optional<double> pitch_deg(const Wheel& wheel) {
  constexpr double even_deg = 1e-6;
  if (wheel.positions < 2) {
    return std::nullopt;
  }
  const double pitch = wheel.period_deg / wheel.positions;
  for (const WheelTooth& tooth : wheel.teeth) {
    if (std::fabs(tooth.angle_deg - pitch * (tooth.number - 1)) > even_deg) {
      return std::nullopt;
    }
  }
  return pitch;
}

}  // namespace

double corrected_entry_deg(double entry_deg, double late_deg, Raising raising, double cycle_deg) {
  return wrap_deg(entry_deg + (raising == Raising::retards ? -late_deg : late_deg), cycle_deg);
}

std::optional<CountingError> counting_error(const Engine& engine, const Estimate& offset, bool cycle_known) {
  constexpr double near_deg = 0.25;
  constexpr double near_a_turn_deg = 20;
  CountingError error;
  double left = offset.value;
  if (cycle_known && engine.cycle_deg > deg_per_rev &&
      std::fabs(std::fabs(left) - deg_per_rev) <= near_a_turn_deg + offset.half_width) {
    error.turns = left > 0 ? 1 : -1;
    left -= error.turns * deg_per_rev;
  }
  if (const auto pitch = pitch_deg(engine.crank); pitch && offset.half_width < *pitch / 4) {
    const double teeth = std::round(left / *pitch);
    if (teeth != 0 && std::fabs(left - teeth * *pitch) <= offset.half_width + near_deg) {
      error.teeth = static_cast<int>(teeth);
      left -= teeth * *pitch;
    }
  }
  error.left_deg = left;
  return error.turns != 0 || error.teeth != 0 ? std::optional(error) : std::nullopt;
}

}  // namespace cw
