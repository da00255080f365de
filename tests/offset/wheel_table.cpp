// How well the wheel's shape and the cams are learned, and what top dead centre gains by it: errors and coverage over runs, as
// a table.
//
//   wheel_table A..B
//
// Simulated: a four (invented) on 60-2 or 36-1 that runs at 1,500 and 3,000 rpm in turn for 110 s; each tooth off by 0.02 to
// 0.1 degrees (sd), run-out up to 0.4 in half of the runs, a cam off by up to 5. Waves a turn that the firing hides are taken
// off the truth as they are said to be left out. Exits with 1 when an interval covers too little or correction makes TDC
// worse. Seeds to 100000 are for tuning, from 1000000 for judging.
#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstdio>
#include <numbers>
#include <optional>
#include <string_view>
#include <vector>

#include "campaign/dice.hpp"
#include "campaign/feed.hpp"
#include "campaign/tally.hpp"
#include "compare/wheel_health.hpp"
#include "geometry/angle.hpp"
#include "monitor/monitor.hpp"
#include "simulate/simulation.hpp"

namespace {

using namespace cw;
using campaign::Dice;

class Seen final : public Observer {
 public:
  void on_finding(const Finding& /*finding*/) override {}
  void on_cycle(const Cycle& cycle) override { cycles.push_back(cycle); }
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& /*change*/) override {}
  void on_wheel(const WheelShape& told) override { shape = told; }
  std::vector<Cycle> cycles;
  std::optional<WheelShape> shape;
};

struct Tally {
  std::vector<double> tooth_deg;
  std::size_t teeth_inside = 0;
  std::vector<double> cam_deg;
  std::vector<double> before_deg;
  std::vector<double> after_deg;
  std::size_t before_inside = 0;
  std::size_t after_inside = 0;
};

Engine drawn_engine(Dice& dice) {
  Engine engine;
  engine.name = "drawn";
  engine.cylinders = 4;
  engine.firing_order = {1, 3, 4, 2};
  engine.firing_angles_deg = even_firing_angles(engine.firing_order, 720);
  const bool sixty = dice.chance(0.5);
  engine.crank.positions = sixty ? 60 : 36;
  engine.crank.teeth = pitched_teeth(engine.crank.positions, {{sixty ? 58 : 35, sixty ? 2 : 1}}, 360);
  engine.crank.trigger_offset_deg = std::floor(dice.range(0, 720));
  CamPattern cam;
  cam.name = "cam";
  cam.channel = "cam1";
  cam.tolerance_deg = 8;
  cam.edges = {
      {62, ActiveEdge::falling}, {242, ActiveEdge::falling}, {332, ActiveEdge::falling}, {602, ActiveEdge::falling}};
  engine.cams.push_back(cam);
  return engine;
}

sim::Scenario drawn_scenario(Dice& dice, const Engine& engine, std::uint64_t seed) {
  sim::Scenario scenario;
  scenario.seed = seed;
  scenario.tick_ns = dice.pick({125, 250, 500});
  scenario.start_deg = dice.range(0, 720);
  scenario.crank.noise.jitter_ns = dice.range(100, 1000);
  const double sd_deg = dice.range(0.02, 0.1);
  double mean_deg = 0;
  std::vector<double>& errors = scenario.crank.pitch_errors_deg;
  for (std::size_t i = 0; i < engine.crank.teeth.size(); ++i) {
    // Twelve uniform values less six: as good as normal.
    double sum = -6;
    for (int k = 0; k < 12; ++k) {
      sum += dice.range(0, 1);
    }
    errors.push_back(sd_deg * sum);
    mean_deg += errors.back() / static_cast<double>(engine.crank.teeth.size());
  }
  for (double& error : errors) {
    error -= mean_deg;
  }
  scenario.crank.run_out_deg = dice.chance(0.5) ? dice.range(0, 0.4) : 0;
  scenario.crank.run_out_phase_deg = dice.range(0, 360);
  sim::CamSensor cam;
  cam.name = "cam";
  cam.phase_deg = dice.range(-5, 5);
  cam.noise.jitter_ns = dice.range(500, 5000);
  scenario.cams = {cam};
  const auto add = [&](sim::PhaseKind kind, double seconds, double rpm, double rpm_end) {
    sim::Phase phase;
    phase.kind = kind;
    phase.duration_s = seconds;
    phase.rpm = rpm;
    phase.rpm_end = rpm_end;
    scenario.phases.push_back(phase);
  };
  add(sim::PhaseKind::crank, 1.5, 0, 0);
  for (const double seconds : {8.0, 30.0, 12.0}) {
    add(sim::PhaseKind::run, seconds, 1500, 0);
    add(sim::PhaseKind::ramp, 1, 1500, 3000);
    add(sim::PhaseKind::run, seconds, 3000, 0);
    add(sim::PhaseKind::ramp, 1, 3000, 1500);
  }
  return scenario;
}

// Where each tooth stands, waves of `masked` orders and the mean taken off (by turns, until nothing is left of them).
std::vector<double> true_errors(const Engine& engine, const sim::CrankSensor& sensor, const std::vector<int>& masked) {
  constexpr double rad_per_deg = std::numbers::pi / 180;
  constexpr int rounds = 200;
  const std::vector<WheelTooth>& teeth = engine.crank.teeth;
  std::vector<double> errors = sensor.pitch_errors_deg;
  for (std::size_t i = 0; i < teeth.size(); ++i) {
    errors[i] += sensor.run_out_deg * std::cos((teeth[i].angle_deg - sensor.run_out_phase_deg) * rad_per_deg);
  }
  std::vector<std::vector<double>> waves = {std::vector<double>(teeth.size(), 1.0)};
  for (const int order : masked) {
    std::vector<double> cosine;
    std::vector<double> sine;
    for (const WheelTooth& tooth : teeth) {
      cosine.push_back(std::cos(order * tooth.angle_deg * rad_per_deg));
      sine.push_back(std::sin(order * tooth.angle_deg * rad_per_deg));
    }
    waves.push_back(cosine);
    waves.push_back(sine);
  }
  for (int round = 0; round < rounds; ++round) {
    for (const std::vector<double>& wave : waves) {
      double product = 0;
      double square = 0;
      for (std::size_t i = 0; i < errors.size(); ++i) {
        product += wave[i] * errors[i];
        square += wave[i] * wave[i];
      }
      for (std::size_t i = 0; i < errors.size() && square > 1e-9; ++i) {
        errors[i] -= product / square * wave[i];
      }
    }
  }
  return errors;
}

void add_cycles(const Seen& seen, const sim::Simulation& simulation, double cam_deg, Tally& tally) {
  constexpr double before_s = 18;
  constexpr double after_s = 85;
  for (const Cycle& cycle : seen.cycles) {
    const double t_s = static_cast<double>(cycle.tdc_ns) * 1e-9;
    if (cycle.rpm < 1400 || cycle.state != LockState::cycle_locked) {
      continue;
    }
    if (!cycle.cam_phase_deg.empty() && cycle.cam_phase_deg[0]) {
      tally.cam_deg.push_back(std::fabs(*cycle.cam_phase_deg[0] - cam_deg));
    }
    const std::vector<std::int64_t>& true_ns = simulation.truth.tdc1_ns;
    auto at = std::lower_bound(true_ns.begin(), true_ns.end(), cycle.tdc_ns);
    if (at == true_ns.begin() || at == true_ns.end() || (t_s > before_s && t_s < after_s)) {
      continue;
    }
    at -= *at - cycle.tdc_ns > cycle.tdc_ns - *(at - 1) ? 1 : 0;
    const double off_deg = std::fabs(static_cast<double>(cycle.tdc_ns - *at)) / ns_per_deg_at(cycle.rpm);
    const bool inside = off_deg <= cycle.uncertainty_deg;
    (t_s <= before_s ? tally.before_deg : tally.after_deg).push_back(off_deg);
    (t_s <= before_s ? tally.before_inside : tally.after_inside) += inside ? 1 : 0;
  }
}

void run(std::uint64_t seed, Tally& tally) {
  Dice dice(seed, 60);
  const Engine engine = drawn_engine(dice);
  const sim::Scenario scenario = drawn_scenario(dice, engine, seed);
  const sim::Simulation simulation = sim::simulate(engine, scenario);
  const campaign::Stream stream = campaign::stream_of(simulation);
  Seen seen;
  Monitor monitor(engine, seen);
  monitor.push({stream.items, stream.payload});
  monitor.finish();
  add_cycles(seen, simulation, scenario.cams[0].phase_deg, tally);
  if (!seen.shape) {
    std::printf("  seed %llu: no shape\n", static_cast<unsigned long long>(seed));
    return;
  }
  const std::vector<double> truth = true_errors(engine, scenario.crank, seen.shape->masked_orders);
  for (std::size_t i = 0; i < truth.size(); ++i) {
    const ToothShape& tooth = seen.shape->teeth[i];
    tally.tooth_deg.push_back(std::fabs(tooth.error_deg - truth[i]));
    tally.teeth_inside += tally.tooth_deg.back() <= tooth.uncertainty_deg ? 1 : 0;
  }
}

void print(const char* what, const std::vector<double>& errors, std::optional<std::size_t> inside) {
  std::printf("  %-40s %7zu   p50 %.4f   p95 %.4f deg", what, errors.size(), campaign::quantile(errors, 0.5),
              campaign::quantile(errors, 0.95));
  if (inside && !errors.empty()) {
    std::printf("   95 %% interval holds the truth in %.1f %%",
                100.0 * static_cast<double>(*inside) / static_cast<double>(errors.size()));
  }
  std::printf("\n");
}

}  // namespace

int main(int argc, char** argv) {
  const std::string_view text = argc > 1 ? argv[1] : "1000000..1000009";
  std::uint64_t first = 1;
  std::uint64_t last = 0;
  const std::size_t dots = text.find("..");
  std::from_chars(text.data(), text.data() + std::min(dots, text.size()), first);
  if (dots != std::string_view::npos) {
    std::from_chars(text.data() + dots + 2, text.data() + text.size(), last);
  }
  Tally tally;
  for (std::uint64_t seed = first; seed <= last; ++seed) {
    run(seed, tally);
  }
  print("tooth, where it stands", tally.tooth_deg, tally.teeth_inside);
  print("cam phase of a cycle (no interval)", tally.cam_deg, std::nullopt);
  print("TDC1 before the wheel was learned", tally.before_deg, tally.before_inside);
  print("TDC1 after it", tally.after_deg, tally.after_inside);
  constexpr double covered_least = 0.9;
  const bool good =
      !tally.tooth_deg.empty() && !tally.before_deg.empty() && !tally.after_deg.empty() &&
      static_cast<double>(tally.teeth_inside) >= covered_least * static_cast<double>(tally.tooth_deg.size()) &&
      static_cast<double>(tally.after_inside) >= covered_least * static_cast<double>(tally.after_deg.size()) &&
      campaign::quantile(tally.after_deg, 0.95) < campaign::quantile(tally.before_deg, 0.95);
  std::printf("%s\n", good ? "as it should be" : "NOT as it should be");
  return good ? 0 : 1;
}
