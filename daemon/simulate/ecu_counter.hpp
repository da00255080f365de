// How a modelled ECU finds the crank's position: it counts teeth from gap to gap, as real controllers do. It looks at one
// interval at a time, never ahead, and gives up at the first wrong count.
//
// - An interval of at least `gap_ratio` times the one before is a gap. The counts from gap to gap tell which gap it is;
//   after `good_turns` whole turns of right counts the position within the turn of the wheel is known.
// - Locked, a gap that comes early or does not come is a lost sync (`tolerate_teeth` of a lenient one: a count off by so
//   little is put right at the gap without a word, and long intervals elsewhere are not looked at).
// - Which turn it is the cam edges tell: each is where the pattern has one in one turn and not in the other; `cam_edges`
//   in a row that say the same turn are believed, and so many that contradict are a lost sync.
// - Teeth that end above `loss_above_rpm` for six times the longest step are a lost sync, below it the engine stops.
//   So it does when a step takes longer than at `least_rpm`: no count is believed there.
// Common practice, no source. Wheels without a gap are not modelled (can_count).
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "geometry/engine.hpp"
#include "simulate/faults.hpp"
#include "simulate/scenario.hpp"
#include "simulate/sensors.hpp"
#include "simulate/simulation.hpp"

namespace cw::sim {

inline constexpr int crank_input = -1;

// An edge of the active polarity of the crank, or any edge of a cam, as the ECU's input stage gives it.
struct EcuEdge {
  double t_s = 0;
  int input = crank_input;  // or the cam's index
  bool rising = false;
};

struct EcuReading {
  double t_s = 0;
  double value = 0;
};

// What it knew over a run.
struct EcuHistory {
  std::vector<EcuMoment> moments;
  std::vector<EcuReading> rpm;                   // filtered, at each crank edge
  std::vector<std::vector<EcuReading>> cam_deg;  // for each cam: deviation of an edge from park, crank degrees
};

// Whether the wheel has a gap to count from.
bool can_count(const Engine& engine);

// The edges of crank and cams that the ECU's input stage passes on, by time.
std::vector<EcuEdge> ecu_edges(const Engine& engine, const Wires& wires);

// `off`: spans without supply. `speed_teeth`: tooth counts it was told for its speed, while they last. Requires
// can_count(engine).
EcuHistory count_teeth(const Engine& engine, const EcuCounter& counter, std::span<const EcuEdge> edges, double end_s,
                       const std::vector<TimedStep>& off, const std::vector<TimedStep>& speed_teeth);

}  // namespace cw::sim
