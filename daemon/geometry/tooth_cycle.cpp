#include "geometry/tooth_cycle.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "geometry/angle.hpp"

namespace cw {

namespace {

// Steps nearer than this are the same to any sensor: a tenth of the finest pitch error a good wheel is made to.
constexpr double same_step_deg = 0.01;

bool repeats_after(const std::vector<CycleTooth>& teeth, std::size_t shift) {
  for (std::size_t i = 0; i < teeth.size(); ++i) {
    const std::size_t j = (i + shift) % teeth.size();
    if (std::fabs(teeth[i].step_deg - teeth[j].step_deg) > same_step_deg) {
      return false;
    }
  }
  return true;
}

int smallest_repeat(const std::vector<CycleTooth>& teeth) {
  for (std::size_t shift = 1; shift < teeth.size(); ++shift) {
    if (teeth.size() % shift == 0 && repeats_after(teeth, shift)) {
      return static_cast<int>(shift);
    }
  }
  return static_cast<int>(teeth.size());
}

// Steps that differ by no more than arithmetic makes of them become one number: the longest are compared to find the gaps.
void make_equal_steps_equal(std::vector<CycleTooth>& teeth) {
  constexpr double rounding_deg = 1e-9;
  std::vector<double> lengths_deg;
  for (CycleTooth& tooth : teeth) {
    const auto same = std::find_if(lengths_deg.begin(), lengths_deg.end(), [&](double length_deg) {
      return std::fabs(length_deg - tooth.step_deg) <= rounding_deg;
    });
    if (same == lengths_deg.end()) {
      lengths_deg.push_back(tooth.step_deg);
    } else {
      tooth.step_deg = *same;
    }
  }
}

}  // namespace

std::vector<double> ToothCycle::steps_deg(int count) const {
  std::vector<double> steps;
  steps.reserve(static_cast<std::size_t>(count));
  for (int i = 0; i < count; ++i) {
    steps.push_back(teeth[static_cast<std::size_t>(i)].step_deg);
  }
  return steps;
}

ToothCycle tooth_cycle(const Engine& engine) {
  ToothCycle cycle;
  cycle.cycle_deg = engine.cycle_deg;
  const Wheel& wheel = engine.crank;
  const int turns = static_cast<int>(std::lround(engine.cycle_deg / wheel.period_deg));
  for (int turn = 0; turn < turns; ++turn) {
    for (const WheelTooth& tooth : wheel.teeth) {
      const double wheel_deg = turn * wheel.period_deg + tooth.angle_deg;
      cycle.teeth.push_back(
          {wheel_deg, wrap_deg(wheel_deg - wheel.trigger_offset_deg, engine.cycle_deg), 0, tooth.number, turn});
    }
  }
  for (std::size_t i = 0; i < cycle.teeth.size(); ++i) {
    const bool last = i + 1 == cycle.teeth.size();
    const double next_deg = last ? engine.cycle_deg : cycle.teeth[i + 1].wheel_deg;
    cycle.teeth[i].step_deg = next_deg - cycle.teeth[i].wheel_deg;
  }
  make_equal_steps_equal(cycle.teeth);
  cycle.repeat_teeth = smallest_repeat(cycle.teeth);
  return cycle;
}

}  // namespace cw
