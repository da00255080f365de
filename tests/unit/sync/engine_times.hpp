// Edges of all channels of an engine by arithmetic, for the tests of the Sync facade and of what stands on it.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <string>
#include <variant>
#include <vector>

#include "geometry/angle.hpp"
#include "geometry/engine.hpp"
#include "geometry/tooth_cycle.hpp"
#include "sync/sync.hpp"

namespace cw::test {

enum class Line : std::uint8_t { crank, cam, reference };

struct TimedEdge {
  std::int64_t t_ns = 0;
  Line line = Line::crank;
  std::size_t cam = 0;
  ActiveEdge edge = ActiveEdge::falling;
  double crank_deg = 0;  // rising over the cycles; where it really came
  int tooth = 0;         // crank: number on the wheel
};

// What is not as the engine file says.
struct Deviations {
  std::vector<double> cam_deg;  // by cam, positive = late
  double reference_deg = 0;     // positive = late
};

// Every active edge in crank angles [from_deg, to_deg), where angle 0 is a TDC1; `ns_at(deg)` gives its time.
template <typename NsAt>
std::vector<TimedEdge> engine_edges(const Engine& engine, double from_deg, double to_deg, NsAt ns_at,
                                    const Deviations& off = {}) {
  std::vector<TimedEdge> edges;
  const auto each_cycle = [&](double angle_deg, double period_deg, TimedEdge edge) {
    double deg = from_deg + wrap_deg(angle_deg - from_deg, period_deg);
    for (; deg < to_deg; deg += period_deg) {
      edge.crank_deg = deg;
      edge.t_ns = std::llround(ns_at(deg));
      edges.push_back(edge);
    }
  };
  for (const CycleTooth& tooth : tooth_cycle(engine).teeth) {
    each_cycle(tooth.crank_deg, engine.cycle_deg, {0, Line::crank, 0, engine.crank.active_edge, 0, tooth.number});
  }
  for (std::size_t cam = 0; cam < engine.cams.size(); ++cam) {
    const double late_deg = cam < off.cam_deg.size() ? off.cam_deg[cam] : 0;
    for (const CamEdge& edge : engine.cams[cam].edges) {
      each_cycle(edge.angle_deg + late_deg, engine.cycle_deg, {0, Line::cam, cam, edge.edge, 0, 0});
    }
  }
  if (engine.reference) {
    const Reference& reference = *engine.reference;
    each_cycle(-reference.advance_deg + off.reference_deg, reference.period_deg,
               {0, Line::reference, 0, reference.active_edge, 0, 0});
  }
  std::stable_sort(edges.begin(), edges.end(), [](const TimedEdge& a, const TimedEdge& b) { return a.t_ns < b.t_ns; });
  return edges;
}

// Only the edges for which `keep(edge)`.
template <typename Keep>
std::vector<TimedEdge> only(const std::vector<TimedEdge>& edges, Keep keep) {
  std::vector<TimedEdge> kept;
  for (const TimedEdge& edge : edges) {
    if (keep(edge)) {
      kept.push_back(edge);
    }
  }
  return kept;
}

inline CamPattern cam_with(const std::string& name, const std::vector<double>& falling_deg) {
  CamPattern cam;
  cam.name = name;
  cam.channel = name;
  for (const double angle_deg : falling_deg) {
    cam.edges.push_back({angle_deg, ActiveEdge::falling});
  }
  return cam;
}

// An invented four-cylinder four-stroke: 60-2, offset 114, two cams, ECU mark 10 degrees before TDC1.
inline Engine two_cam_engine() {
  Engine engine;
  engine.name = "trial four";
  engine.firing_order = {1, 3, 4, 2};
  engine.firing_angles_deg = even_firing_angles(engine.firing_order, 720);
  engine.crank.teeth = pitched_teeth(60, {{58, 2}}, 360);
  engine.crank.positions = 60;
  engine.crank.trigger_offset_deg = 114;
  engine.crank.offset_basis = OffsetBasis::verified_mark;
  engine.cams = {cam_with("intake", {62, 242, 332, 602}), cam_with("exhaust", {100, 500})};
  engine.cams[0].gear_teeth = 44;
  engine.cams[1].gear_teeth = 40;
  engine.reference = Reference{};
  engine.reference->advance_deg = 10;
  return engine;
}

inline void feed(Sync& sync, const std::vector<TimedEdge>& edges) {
  for (const TimedEdge& edge : edges) {
    if (edge.line == Line::crank) {
      sync.crank_edge(edge.t_ns);
    } else if (edge.line == Line::cam) {
      sync.cam_edge(edge.cam, edge.edge, edge.t_ns);
    } else {
      sync.reference_edge(edge.t_ns);
    }
  }
}

template <typename Event>
std::vector<Event> all_of(const Sync& sync) {
  std::vector<Event> found;
  for (const SyncEvent& event : sync.events()) {
    if (const auto* known = std::get_if<Event>(&event)) {
      found.push_back(*known);
    }
  }
  return found;
}

}  // namespace cw::test
