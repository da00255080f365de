// An invented four-cylinder engine and helpers to look at edge lists.
#pragma once

#include <algorithm>
#include <cstdint>
#include <iterator>
#include <string>
#include <string_view>
#include <tuple>
#include <vector>

#include "geometry/engine.hpp"
#include "simulate/simulation.hpp"

namespace cw::sim {

inline CamPattern trial_cam(const std::string& name, const std::string& channel, const std::vector<double>& angles_deg,
                            int gear_teeth) {
  CamPattern cam;
  cam.name = name;
  cam.channel = channel;
  for (const double angle_deg : angles_deg) {
    cam.edges.push_back({angle_deg, ActiveEdge::falling});
  }
  cam.gear_teeth = gear_teeth;
  return cam;
}

// 60-2, offset 114: the marked reference tooth stands at 606, the other at 246 degrees.
inline Engine trial_engine() {
  Engine engine;
  engine.name = "trial four";
  engine.cylinders = 4;
  engine.firing_order = {1, 3, 4, 2};
  engine.firing_angles_deg = even_firing_angles(engine.firing_order, 720);
  engine.crank.teeth = pitched_teeth(60, {{58, 2}}, 360);
  engine.crank.positions = 60;
  engine.crank.trigger_offset_deg = 114;
  engine.cams.push_back(trial_cam("intake", "cam1", {62, 242, 332, 602}, 44));
  engine.cams.push_back(trial_cam("exhaust", "cam2", {100, 500}, 40));
  engine.reference = Reference{};
  engine.reference->advance_deg = 10;
  return engine;
}

inline Phase steady(double rpm, double duration_s) {
  Phase phase;
  phase.kind = PhaseKind::profile;
  phase.duration_s = duration_s;
  phase.rpm = rpm;
  phase.rpm_end = rpm;
  return phase;
}

inline Phase driven(PhaseKind kind, double duration_s, double rpm = 0, double rpm_end = 0) {
  Phase phase;
  phase.kind = kind;
  phase.duration_s = duration_s;
  phase.rpm = rpm;
  phase.rpm_end = rpm_end;
  return phase;
}

// Steady 1,000 rpm from TDC1 for two seconds: 6,000 degrees a second, a cycle is 120 ms.
inline Scenario steady_scenario() {
  Scenario scenario;
  scenario.start_deg = 0;
  scenario.ecu.starts_after_deg = 0;
  scenario.phases = {steady(1000, 2)};
  return scenario;
}

inline std::vector<SimEdge> edges_of(const Simulation& simulation, std::string_view channel) {
  std::vector<SimEdge> edges;
  for (const SimEdge& edge : simulation.edges) {
    if (simulation.channels[edge.channel] == channel) {
      edges.push_back(edge);
    }
  }
  return edges;
}

inline std::vector<std::int64_t> times_of(const Simulation& simulation, std::string_view channel, bool rising) {
  std::vector<std::int64_t> times;
  for (const SimEdge& edge : edges_of(simulation, channel)) {
    if (edge.rising == rising) {
      times.push_back(edge.t_ns);
    }
  }
  return times;
}

// Edges of `a` that are not in `b`, in order.
inline std::vector<SimEdge> only_in(std::vector<SimEdge> a, std::vector<SimEdge> b) {
  const auto before = [](const SimEdge& x, const SimEdge& y) {
    return std::tuple(x.t_ns, x.channel, x.rising) < std::tuple(y.t_ns, y.channel, y.rising);
  };
  std::sort(a.begin(), a.end(), before);
  std::sort(b.begin(), b.end(), before);
  std::vector<SimEdge> rest;
  std::set_difference(a.begin(), a.end(), b.begin(), b.end(), std::back_inserter(rest), before);
  return rest;
}

}  // namespace cw::sim
