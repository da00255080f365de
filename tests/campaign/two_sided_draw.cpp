#include <algorithm>
#include <array>
#include <cmath>
#include <fstream>
#include <optional>
#include <sstream>

#include "campaign/text.hpp"
#include "campaign/two_sided.hpp"
#include "config/engine_file.hpp"
#include "config/signal_map_file.hpp"
#include "geometry/cam_evidence.hpp"
#include "simulate/ecu_counter.hpp"

namespace cw::campaign {

namespace {

using sim::Fault;
using sim::FaultKind;
using sim::SeenBy;

// Draws of this campaign begin here: the others use streams below.
constexpr std::uint64_t first_stream = 100;
constexpr double before_s = 2;
constexpr double after_s = 4;
constexpr double running_rpm = 500;

// An engine of the campaign whose wheel the ECU can count; with a spark output its advance is the ECU's own, half of the
// time.
std::string draw_countable_engine(Dice& dice, bool says_advance) {
  constexpr int tries_max = 200;
  std::string text;
  for (int i = 0; i < tries_max; ++i) {
    text = draw_engine(dice);
    const auto parsed = parse_engine(text, "engine.toml");
    const auto* engine = std::get_if<Engine>(&parsed);
    if (engine != nullptr && sim::can_count(*engine)) {
      break;
    }
  }
  const std::size_t advance = text.find("advance_deg = ");
  if (says_advance && advance != std::string::npos && dice.chance(0.5)) {
    text.replace(advance, text.find('\n', advance) - advance, "advance_from = \"spark_advance\"");
  }
  return text;
}

sim::CanLayout draw_layout(Dice& dice) {
  const double share = dice.range(0, 1);
  return share < 0.5 ? sim::CanLayout::slate : share < 0.9 ? sim::CanLayout::marl : sim::CanLayout::eec1;
}

std::string name_of(sim::CanLayout layout) {
  return layout == sim::CanLayout::slate ? "slate" : layout == sim::CanLayout::marl ? "marl" : "eec1";
}

// The project's map of that broadcast; its cam is the engine's first, where that is one.
std::string add_map(const Engine& engine, TwoSidedCase& made) {
  const std::string file = made.layout == "eec1" ? "j1939-eec1" : made.layout;
  const std::string path = std::string(CRANKWITNESS_SOURCE_DIR) + "/config/can/" + file + ".toml";
  std::ifstream stream(path);
  std::ostringstream bytes;
  bytes << stream.rdbuf();
  std::string text = bytes.str();
  const bool cam = !engine.cams.empty() && !engine.cams.front().turns_with_crank;
  const std::string named = "cam = \"intake\"";
  for (std::size_t at = text.find(named); cam && at != std::string::npos; at = text.find(named, at + 1)) {
    text.replace(at, named.size(), "cam = \"" + engine.cams.front().name + "\"");
  }
  auto parsed = parse_signal_map(text, path);
  if (const auto* error = std::get_if<ConfigError>(&parsed)) {
    return error->message;
  }
  SignalMap map = std::get<SignalMapFile>(std::move(parsed)).map;
  for (MessageDefinition& message : map.messages) {
    std::erase_if(message.signals, [&](const SignalDefinition& signal) { return !cam && !signal.cam.empty(); });
  }
  made.maps.push_back({std::move(map), ""});
  return {};
}

// Habits of ECUs; ranges from common practice, no source.
void draw_ecu(Dice& dice, const Engine& engine, sim::CanLayout layout, sim::Scenario& scenario) {
  sim::EcuCounter& counter = scenario.ecu.counter.emplace();
  counter.jitter_ns = dice.log_range(100, 2000);
  counter.delay_us = dice.range(0, 10);
  counter.threshold_rpm = dice.chance(0.3) ? dice.range(10, 60) : 0;
  counter.good_turns = dice.whole(1, 3);
  counter.cam_edges = dice.whole(1, 3);
  counter.tolerate_teeth = dice.chance(0.2) ? 1 : 0;
  counter.stopped_s = dice.range(0.3, 1);
  counter.counts_stops = dice.chance(0.3);
  counter.speed_over_deg = dice.range(30, 360);
  counter.speed_filter_ms = dice.range(0, 60);
  sim::EcuBroadcast& can = scenario.ecu.can.emplace();
  can.layouts = {layout};
  can.period_scale = dice.log_range(0.5, 3);
  can.latency_ms = dice.range(0.2, 15);
  can.latency_jitter_ms = dice.range(0, 8);
  can.bit_rate = dice.pick({250000.0, 500000.0, 1000000.0});
  can.bus_load = dice.range(0, 0.6);
  const bool own_advance = engine.reference && !engine.reference->advance_from.empty();
  if (own_advance) {
    const double idle_deg = dice.range(0, 12);
    scenario.ecu.advance_table = {{900, idle_deg}, {dice.range(2500, 6000), idle_deg + dice.range(10, 25)}};
  }
  scenario.sample_deg = 5;
}

// A fault on the wire of the crank, of a form that a strict counter cannot miss.
Fault draw_wire_fault(Dice& dice, SeenBy seen_by) {
  Fault fault;
  fault.kind = dice.pick({FaultKind::extra_edge, FaultKind::missed_edge, FaultKind::missed_edge, FaultKind::noise_burst,
                          FaultKind::crank_signal_stopped});
  fault.seen_by = seen_by;
  if (fault.kind == FaultKind::extra_edge) {
    fault.fraction = dice.range(0.3, 0.7);
  } else if (fault.kind == FaultKind::noise_burst) {
    fault.count = dice.whole(8, 40);
    fault.span_deg = dice.range(20, 200);
  } else if (fault.kind == FaultKind::crank_signal_stopped) {
    fault.for_s = dice.range(0.1, 0.5);
  } else {
    fault.count = dice.whole(1, 3);
  }
  return fault;
}

int draw_told_teeth(Dice& dice, const Engine& engine) {
  constexpr double least_off = 0.05;
  int told = engine.crank.positions;
  while (std::fabs(static_cast<double>(engine.crank.positions) / told - 1) < least_off) {
    told = std::max(
        1, engine.crank.positions + dice.whole(-engine.crank.positions / 3 - 1, engine.crank.positions / 2 + 1));
  }
  return told;
}

Fault draw_fault(Dice& dice, const TwoSidedCase& made) {
  Fault fault;
  switch (made.situation) {
    case Situation::nothing:
      break;
    case Situation::ecu_alone:
      return draw_wire_fault(dice, SeenBy::ecu);
    case Situation::both:
      return draw_wire_fault(dice, SeenBy::both);
    case Situation::tap_alone:
      return draw_wire_fault(dice, SeenBy::tap);
    case Situation::restart:
      fault.kind = FaultKind::ecu_restarted;
      fault.for_s = dice.range(0.2, 0.8);
      break;
    case Situation::silent:
      fault.kind = FaultKind::ecu_silent;
      fault.for_s = dice.range(2, 3.5);
      break;
    case Situation::tooth_count:
      fault.kind = FaultKind::ecu_speed_disagrees;
      fault.count = draw_told_teeth(dice, made.drawn.engine);
      break;
    case Situation::offset:
      fault.kind = FaultKind::ecu_offset_changed;
      fault.deg = dice.sign() * dice.range(2, 40);
      break;
    case Situation::advance:
      fault.kind = FaultKind::ecu_advance_disagrees;
      fault.deg = dice.sign() * dice.range(5, 15);
      break;
  }
  return fault;
}

Situation draw_situation(Dice& dice, const TwoSidedCase& made) {
  const auto share = dice.range(0, 1);
  const std::array<std::pair<double, Situation>, situations> table = {{{0.20, Situation::nothing},
                                                                       {0.40, Situation::ecu_alone},
                                                                       {0.58, Situation::both},
                                                                       {0.72, Situation::tap_alone},
                                                                       {0.79, Situation::restart},
                                                                       {0.86, Situation::silent},
                                                                       {0.91, Situation::tooth_count},
                                                                       {0.95, Situation::offset},
                                                                       {1.01, Situation::advance}}};
  const Situation drawn =
      std::find_if(table.begin(), table.end(), [share](const auto& row) { return share < row.first; })->second;
  const bool fires = made.drawn.engine.reference && !made.drawn.engine.reference->advance_from.empty();
  return drawn == Situation::advance && !fires ? Situation::tooth_count : drawn;
}

// Times at which the fault may come: the engine above running speed and the ECU as sure of the position as it gets, for
// some time before and after.
std::optional<double> draw_time(Dice& dice, const sim::Simulation& sound) {
  sim::EcuState best = sim::EcuState::revolution;
  for (const sim::EcuMoment& moment : sound.truth.ecu) {
    best = moment.state == sim::EcuState::cycle ? sim::EcuState::cycle : best;
  }
  std::vector<double> times;
  double since_s = -1;
  std::size_t next = 0;
  sim::EcuState state = sim::EcuState::no_signal;
  for (const sim::TruthSample& sample : sound.truth.samples) {
    while (next < sound.truth.ecu.size() && sound.truth.ecu[next].t_ns <= sample.t_ns) {
      state = sound.truth.ecu[next++].state;
    }
    const double t_s = static_cast<double>(sample.t_ns) * 1e-9;
    const bool fit = sample.rpm > running_rpm && state == best;
    since_s = fit ? (since_s < 0 ? t_s : since_s) : -1;
    if (fit && t_s - since_s > before_s + after_s) {
      times.push_back(t_s - after_s);
    }
  }
  if (times.empty()) {
    return std::nullopt;
  }
  return times[static_cast<std::size_t>(dice.whole(0, static_cast<int>(times.size()) - 1))];
}

void draw_cuts(Dice& dice, double end_s, sim::Ecu& ecu) {
  const double from_s = dice.range(0, end_s);
  if (dice.chance(0.3)) {
    (dice.chance(0.5) ? ecu.fuel_cuts : ecu.spark_cuts).push_back({from_s, from_s + dice.range(0.05, 1)});
  }
}

// One try; false when there is no place for the fault.
bool try_run(std::uint64_t stream, TwoSidedCase& made) {
  Case& drawn = made.drawn;
  drawn.scenario = {};
  drawn.scenario.seed = drawn.seed;
  Dice run_dice(drawn.seed, stream);
  Dice ecu_dice(drawn.seed, stream + 1);
  Dice fault_dice(drawn.seed, stream + 2);
  draw_run(run_dice, drawn);
  draw_noise(run_dice, drawn);
  const sim::CanLayout layout = made.layout == "slate"  ? sim::CanLayout::slate
                                : made.layout == "marl" ? sim::CanLayout::marl
                                                        : sim::CanLayout::eec1;
  draw_ecu(ecu_dice, drawn.engine, layout, drawn.scenario);
  if (const auto problem = sim::find_problem(drawn.engine, drawn.scenario)) {
    drawn.problem = *problem;
    return true;
  }
  const sim::Simulation sound = sim::simulate(drawn.engine, drawn.scenario);
  const auto at_s = draw_time(fault_dice, sound);
  if (!at_s) {
    return false;
  }
  if (made.situation == Situation::nothing) {
    draw_cuts(fault_dice, sound.truth.end_s, drawn.scenario.ecu);
    return true;
  }
  Fault fault = draw_fault(fault_dice, made);
  fault.at_s = at_s;
  drawn.scenario.faults = {fault};
  drawn.problem = sim::find_problem(drawn.engine, drawn.scenario).value_or("");
  return true;
}

}  // namespace

std::string_view to_string(Situation situation) {
  constexpr std::array<std::string_view, situations> names = {
      "nothing", "ECU alone", "both", "tap alone", "restart", "silent", "tooth count", "offset", "advance"};
  return names.at(static_cast<std::size_t>(situation));
}

namespace {

// One engine and up to `tries_max` runs of it; false when none has a place for the fault.
bool try_engine(std::uint64_t stream, TwoSidedCase& made) {
  constexpr int tries_max = 10;
  Case& drawn = made.drawn;
  Dice dice(drawn.seed, stream);
  const sim::CanLayout layout = draw_layout(dice);
  made.layout = name_of(layout);
  drawn.engine_toml = draw_countable_engine(dice, layout != sim::CanLayout::eec1);
  auto parsed = parse_engine(drawn.engine_toml, "engine.toml");
  if (const auto* error = std::get_if<ConfigError>(&parsed)) {
    drawn.problem = error->message;
    return true;
  }
  drawn.engine = std::get<Engine>(std::move(parsed));
  const auto known_deg = known_within_deg(position_evidence(drawn.engine), drawn.engine.cycle_deg);
  drawn.place_known = known_deg.has_value();
  drawn.cam_fixes_cycle = known_deg.value_or(0) >= drawn.engine.cycle_deg;
  made.maps.clear();
  drawn.problem = add_map(drawn.engine, made);
  made.situation = draw_situation(dice, made);
  bool fits = !drawn.problem.empty();
  for (int i = 0; i < tries_max && !fits; ++i) {
    fits = try_run(stream + 10 + static_cast<std::uint64_t>(3 * i), made);
  }
  return fits;
}

}  // namespace

TwoSidedCase draw_two_sided(std::uint64_t seed) {
  constexpr int engines_max = 20;
  constexpr std::uint64_t streams_an_engine = 100;
  TwoSidedCase made;
  made.drawn.seed = seed;
  bool fits = false;
  for (int i = 0; i < engines_max && !fits; ++i) {
    fits = try_engine(first_stream + streams_an_engine * static_cast<std::uint64_t>(i), made);
  }
  if (!fits) {
    made.drawn.problem = "no run with a place for the fault";
  }
  return made;
}

}  // namespace cw::campaign
