// What the watches beside sync cost, each alone: the wheel's shape (an event of two cycles, at most one a second), and the two
// watches of a cam (an event a cam and cycle). Made-up events of an engine that is sound.
#include <benchmark/benchmark.h>

#include <cmath>
#include <vector>

#include "compare/cam_change_watch.hpp"
#include "compare/cam_watch.hpp"
#include "compare/wheel_health.hpp"
#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"

namespace {

using namespace cw;

constexpr double rpm = 6000;
constexpr double cycle_ns = 2 * 60e9 / rpm;

Engine engine_of() {
  Engine engine;
  engine.name = "bench";
  engine.cylinders = 4;
  engine.firing_order = {1, 3, 4, 2};
  engine.firing_angles_deg = even_firing_angles(engine.firing_order, 720);
  engine.crank.positions = 60;
  engine.crank.teeth = pitched_teeth(60, {{58, 2}}, 360);
  CamPattern cam;
  cam.name = "cam";
  cam.channel = "cam";
  cam.edges = {{50, ActiveEdge::falling}, {230, ActiveEdge::falling}, {500, ActiveEdge::falling}};
  engine.cams = {cam};
  return engine;
}

void wheel_health(benchmark::State& state) {
  const Engine engine = engine_of();
  std::vector<CycleTooth> teeth = tooth_cycle(engine).teeth;
  ToothTimesEvent event;
  event.state = LockState::cycle_locked;
  for (int cycle = 0; cycle < 2; ++cycle) {
    for (const CycleTooth& tooth : teeth) {
      const double turned_deg = cycle * 720.0 + tooth.wheel_deg + 0.02 * std::sin(tooth.number * 1.7);
      event.t_ns.push_back(std::llround(turned_deg / 720 * cycle_ns));
    }
  }
  event.t_ns.push_back(std::llround(2 * cycle_ns));
  std::uint64_t next_id = 1;
  WheelHealth watch(engine, next_id);
  std::vector<Finding> out;
  constexpr int until_known = 64;
  for (int i = 0; i < until_known; ++i) {
    watch.take(event, out);
  }
  for (auto _ : state) {
    watch.take(event, out);
    out.clear();
  }
  if (!watch.shape()) {
    state.SkipWithError("nothing was learned: the event is not taken");
  }
  state.SetItemsProcessed(state.iterations());
}

void cam_watches(benchmark::State& state) {
  const Engine engine = engine_of();
  std::uint64_t next_id = 1;
  CamWatch watch(engine, next_id);
  CamChangeWatch changes(engine, next_id);
  const CamConditions nothing_said;
  std::vector<Finding> out;
  CamCycleEvent event;
  event.match.matched = 3;
  event.rpm = rpm;
  for (auto _ : state) {
    ++event.cycle;
    event.match.shift_deg = 0.1 * std::sin(static_cast<double>(event.cycle) * 1.3);
    event.now_ns = std::llround(static_cast<double>(event.cycle) * cycle_ns);
    event.last_edge_ns = event.now_ns;
    event.first_edge_ns = event.now_ns - 1'000'000;
    watch.take(event, out);
    changes.take(event, watch.moved_deg(0), nothing_said, out);
    out.clear();
  }
  state.SetItemsProcessed(state.iterations());
}

BENCHMARK(wheel_health);
BENCHMARK(cam_watches);

}  // namespace

BENCHMARK_MAIN();
