// The wheel unrolled over one engine cycle: what sync/ walks along and what `check` draws.
#pragma once

#include <cstddef>
#include <vector>

#include "geometry/engine.hpp"

namespace cw {

struct CycleTooth {
  double wheel_deg = 0;  // from the marked reference tooth, [0, cycle_deg)
  double crank_deg = 0;  // crank angle of this edge, [0, cycle_deg): wheel_deg - trigger offset
  double step_deg = 0;   // to the next tooth in the cycle, > 0
  int number = 1;        // tooth number within the wheel's turn
  int turn = 0;          // which turn of the wheel within the cycle, 0 = the one the cam marks as first
};

struct ToothCycle {
  double cycle_deg = 720;
  std::vector<CycleTooth> teeth;  // in order of passage from the marked reference tooth
  // The pattern repeats after this many teeth; teeth.size() / repeat_teeth places of the cycle look alike to a crank
  // sensor alone. 60-2 on a four-stroke crank: 58 (two places); 12 even teeth: 1; a gap wheel on the cam: all.
  int repeat_teeth = 0;

  int places() const { return static_cast<int>(teeth.size()) / repeat_teeth; }
  double mean_step_deg() const { return cycle_deg / static_cast<double>(teeth.size()); }
  // Angle from one tooth on to the next passage of the other, in (0, cycle_deg]. Both index `teeth`.
  double between_deg(int from_tooth, int to_tooth) const {
    const double deg =
        teeth[static_cast<std::size_t>(to_tooth)].wheel_deg - teeth[static_cast<std::size_t>(from_tooth)].wheel_deg;
    return deg > 0 ? deg : deg + cycle_deg;
  }
  // `step_deg` of the first `count` teeth, 0 to teeth.size().
  std::vector<double> steps_deg(int count) const;
};

ToothCycle tooth_cycle(const Engine& engine);

}  // namespace cw
