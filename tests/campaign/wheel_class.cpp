#include "campaign/wheel_class.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "geometry/angle.hpp"

namespace cw::campaign {

namespace {

constexpr double same_deg = 1e-6;
constexpr std::size_t few = 12;

bool is_pitched(const Wheel& wheel) {
  return std::all_of(wheel.teeth.begin(), wheel.teeth.end(), [&](const WheelTooth& tooth) {
    return std::fabs(tooth.angle_deg - (tooth.number - 1) * wheel.period_deg / wheel.positions) < same_deg;
  });
}

int gaps_of(const Wheel& wheel) {
  int gaps = 0;
  for (std::size_t i = 0; i < wheel.teeth.size(); ++i) {
    const bool last = i + 1 == wheel.teeth.size();
    const int next = last ? wheel.teeth.front().number + wheel.positions : wheel.teeth[i + 1].number;
    gaps += next - wheel.teeth[i].number > 1 ? 1 : 0;
  }
  return gaps;
}

}  // namespace

std::string_view to_string(WheelClass value) {
  constexpr std::array<std::string_view, wheel_classes> names = {
      "one gap",   "several gaps",        "even teeth",       "angle list", "odd firing",
      "few teeth", "ring gear and index", "wheel on the cam", "two-stroke"};
  return names.at(static_cast<std::size_t>(value));
}

bool fires_evenly(const Engine& engine) {
  const std::vector<double> even = even_firing_angles(engine.firing_order, engine.cycle_deg);
  return std::equal(even.begin(), even.end(), engine.firing_angles_deg.begin(), engine.firing_angles_deg.end(),
                    [](double a, double b) { return std::fabs(a - b) < same_deg; });
}

WheelClass wheel_class_of(const Engine& engine) {
  const Wheel& wheel = engine.crank;
  const bool index =
      std::any_of(engine.cams.begin(), engine.cams.end(), [](const CamPattern& cam) { return cam.turns_with_crank; });
  const bool pitched = is_pitched(wheel);
  const int gaps = pitched ? gaps_of(wheel) : 0;
  if (engine.cycle_deg == deg_per_rev) {
    return WheelClass::two_stroke;
  }
  if (wheel.shaft == WheelShaft::cam) {
    return WheelClass::on_cam;
  }
  if (pitched && gaps == 0 && index) {
    return WheelClass::ring_gear;
  }
  if (wheel.teeth.size() < few) {
    return WheelClass::few_teeth;
  }
  if (!fires_evenly(engine)) {
    return WheelClass::odd_firing;
  }
  if (!pitched) {
    return WheelClass::angle_list;
  }
  return gaps == 0 ? WheelClass::even : gaps == 1 ? WheelClass::one_gap : WheelClass::several_gaps;
}

}  // namespace cw::campaign
