// How good offset and delay are: errors and coverage of the intervals over random runs, as a table.
//
//   offset_table [--readings A..B] [--edges A..B]
//
// readings: cycles drawn as readings with noise that grows with speed, goes from cycle to cycle (first order, up to 0.9), and
// an error of each hold of its own; edges: an engine simulated with its sensors and its ECU, through the whole monitor.
// Exits with 1 when a figure is beyond what the gate allows. Seeds to 100000 are for tuning, from 1000000 for judging.
#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstdio>
#include <string>
#include <string_view>
#include <vector>

#include "campaign/dice.hpp"
#include "campaign/feed.hpp"
#include "campaign/tally.hpp"
#include "compare/offset_fit.hpp"
#include "compare/steady_cycles.hpp"
#include "monitor/monitor.hpp"
#include "simulate/simulation.hpp"

namespace {

using namespace cw;
using campaign::Dice;

struct Truth {
  double offset_deg = 0;
  double delay_us = 0;
};

struct Tally {
  std::vector<double> offset_error_deg;
  std::vector<double> delay_error_us;
  std::size_t offset_inside = 0;
  std::size_t delay_inside = 0;
  std::size_t not_told = 0;

  void add(const OffsetFit& fit, const Truth& truth, std::uint64_t seed) {
    if (!fit.offset_deg || !fit.delay_us || fit.verdict == OffsetVerdict::no_line) {
      ++not_told;
      std::printf("  seed %llu: %s\n", static_cast<unsigned long long>(seed),
                  std::string(to_string(fit.verdict)).c_str());
      return;
    }
    offset_error_deg.push_back(std::fabs(fit.offset_deg->value - truth.offset_deg));
    delay_error_us.push_back(std::fabs(fit.delay_us->value - truth.delay_us));
    offset_inside += fit.offset_deg->may_be(truth.offset_deg) ? 1 : 0;
    delay_inside += fit.delay_us->may_be(truth.delay_us) ? 1 : 0;
  }
  std::size_t count() const { return offset_error_deg.size(); }
};

void print_coverage(const char* what, std::size_t inside, std::size_t count) {
  const campaign::Share share = campaign::share_of(inside, count);
  std::printf("  95 %% interval of %s holds the truth in %zu of %zu, %.1f %% (95 %%: %.1f to %.1f)\n", what, inside,
              count, 100 * share.value, 100 * share.low, 100 * share.high);
}

void print(const char* title, const Tally& tally) {
  std::printf("%s: %zu runs, %zu without an answer\n", title, tally.count() + tally.not_told, tally.not_told);
  if (tally.count() == 0) {
    return;
  }
  std::printf("  offset error p50 %.4f, p95 %.4f deg; delay error p50 %.2f, p95 %.2f us\n",
              campaign::quantile(tally.offset_error_deg, 0.5), campaign::quantile(tally.offset_error_deg, 0.95),
              campaign::quantile(tally.delay_error_us, 0.5), campaign::quantile(tally.delay_error_us, 0.95));
  print_coverage("offset", tally.offset_inside, tally.count());
  print_coverage("delay", tally.delay_inside, tally.count());
}

Truth draw_truth(Dice& dice) {
  return {dice.range(-6, 6), dice.range(-40, 150)};
}

std::vector<double> draw_speeds(Dice& dice) {
  const int holds = dice.whole(5, 12);
  const double least = dice.range(700, 1500);
  const double greatest = dice.range(3000, 7000);
  std::vector<double> speeds;
  for (int i = 0; i < holds; ++i) {
    speeds.push_back(least + (greatest - least) * (i + dice.range(0, 0.5)) / holds);
  }
  dice.shuffle(speeds);
  return speeds;
}

double normal(Dice& dice) {
  // Box and Muller 1958.
  constexpr double two_pi = 6.283185307179586;
  return std::sqrt(-2 * std::log(dice.range(1e-12, 1))) * std::cos(two_pi * dice.range(0, 1));
}

void run_readings(std::uint64_t seed, Tally& tally) {
  Dice dice(seed, 1);
  const Truth truth = draw_truth(dice);
  const double jitter_us = dice.range(0.5, 5);
  const double jitter_deg = dice.range(0, 0.05);
  const double like = dice.range(0, 0.9);  // of the noise of a cycle to that of the one before
  const double of_hold_deg = dice.chance(0.5) ? dice.range(0.005, 0.05) : 0;
  SteadyCycles cycles;
  std::int64_t t_ns = 0;
  for (const double rpm : draw_speeds(dice)) {
    const double hold_deg = of_hold_deg * normal(dice);
    const double sd_deg = std::hypot(jitter_deg, 6e-6 * rpm * jitter_us);
    double noise = normal(dice);
    const auto cycle_ns = static_cast<std::int64_t>(120e9 / rpm);
    for (std::int64_t left_ns = static_cast<std::int64_t>(dice.range(3, 12) * 1e9); left_ns > 0; left_ns -= cycle_ns) {
      noise = like * noise + std::sqrt(1 - like * like) * normal(dice);
      Cycle cycle;
      cycle.tdc_ns = t_ns += cycle_ns;
      cycle.state = LockState::cycle_locked;
      cycle.rpm = rpm * (1 + 0.003 * normal(dice));
      cycle.reference_rpm = cycle.rpm;
      cycle.reference_uncertainty_deg = 0;
      cycle.reference_deviation_deg = truth.offset_deg + 6e-6 * cycle.rpm * truth.delay_us + hold_deg + sd_deg * noise;
      cycles.take(cycle);
    }
  }
  tally.add(fit_offset(cycles.holds()), truth, seed);
}

// ---- through the whole monitor

class Cycles final : public Observer {
 public:
  void on_finding(const Finding& /*finding*/) override {}
  void on_cycle(const Cycle& cycle) override { cycles.take(cycle); }
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& change) override { cycles.take(change); }
  SteadyCycles cycles;
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
  engine.crank.offset_basis = OffsetBasis::verified_mark;
  CamPattern cam;
  cam.name = "cam";
  cam.channel = "cam1";
  cam.edges = {
      {62, ActiveEdge::falling}, {242, ActiveEdge::falling}, {332, ActiveEdge::falling}, {602, ActiveEdge::falling}};
  engine.cams.push_back(cam);
  engine.reference = Reference{};
  engine.reference->advance_deg = std::floor(dice.range(0, 16));
  return engine;
}

sim::Scenario draw_scenario(Dice& dice, const Truth& truth, std::uint64_t seed) {
  sim::Scenario scenario;
  scenario.seed = seed;
  scenario.tick_ns = dice.pick({125, 250, 500, 1000});
  scenario.start_rpm = 0;
  scenario.start_deg = dice.range(0, 720);
  scenario.crank.noise.jitter_ns = dice.range(100, 1000);
  scenario.ecu.error_deg = truth.offset_deg;
  scenario.ecu.delay_us = std::max(truth.delay_us, 0.0);
  scenario.ecu.jitter_us = dice.range(0.5, 5);
  const auto add = [&](sim::PhaseKind kind, double seconds, double rpm, double rpm_end) {
    sim::Phase phase;
    phase.kind = kind;
    phase.duration_s = seconds;
    phase.rpm = rpm;
    phase.rpm_end = rpm_end;
    scenario.phases.push_back(phase);
  };
  add(sim::PhaseKind::crank, 1.5, 0, 0);
  double before = 0;
  for (const double rpm : draw_speeds(dice)) {
    if (before > 0) {
      add(sim::PhaseKind::ramp, 1, before, rpm);
    }
    add(sim::PhaseKind::run, dice.range(4, 8), rpm, 0);
    before = rpm;
  }
  return scenario;
}

void run_edges(std::uint64_t seed, Tally& tally) {
  Dice dice(seed, 2);
  Truth truth = draw_truth(dice);
  truth.delay_us = std::max(truth.delay_us, 0.0);
  const Engine engine = drawn_engine(dice);
  const sim::Simulation simulation = sim::simulate(engine, draw_scenario(dice, truth, seed));
  const campaign::Stream stream = campaign::stream_of(simulation);
  Cycles observer;
  Monitor monitor(engine, observer);
  monitor.push({stream.items, stream.payload});
  monitor.finish();
  tally.add(fit_offset(observer.cycles.holds()), truth, seed);
}

struct Seeds {
  std::uint64_t first = 1;
  std::uint64_t last = 0;
};
Seeds seeds_of(std::string_view text) {
  Seeds seeds;
  const std::size_t dots = text.find("..");
  std::from_chars(text.data(), text.data() + std::min(dots, text.size()), seeds.first);
  if (dots != std::string_view::npos) {
    std::from_chars(text.data() + dots + 2, text.data() + text.size(), seeds.last);
  }
  return seeds;
}

// A share of at least 93 % can't be excluded, and at most 97 where `both_ways`.
bool covers(std::size_t inside, std::size_t count, bool both_ways) {
  const campaign::Share share = campaign::share_of(inside, count);
  return count > 0 && share.high >= 0.93 && (!both_ways || share.low <= 0.97);
}

}  // namespace

int main(int argc, char** argv) {
  bool good = argc > 1;
  for (int i = 1; i + 1 < argc; i += 2) {
    const bool edges = std::string_view(argv[i]) == "--edges";
    const Seeds seeds = seeds_of(argv[i + 1]);
    Tally tally;
    for (std::uint64_t seed = seeds.first; seed <= seeds.last; ++seed) {
      edges ? run_edges(seed, tally) : run_readings(seed, tally);
    }
    print(edges ? "edges through the monitor" : "drawn readings", tally);
    // Of edges the interval also holds what no teeth tell, so that it may be wider.
    good =
        good && covers(tally.offset_inside, tally.count(), !edges) && covers(tally.delay_inside, tally.count(), !edges);
    if (edges && tally.count() > 0) {
      good = good && campaign::quantile(tally.offset_error_deg, 0.95) <= 0.05 &&
             campaign::quantile(tally.delay_error_us, 0.95) <= 2;
    }
  }
  std::printf("%s\n", good ? "as it should be" : "NOT as it should be");
  return good ? 0 : 1;
}
