#include <algorithm>
#include <cmath>

#include "campaign/draw.hpp"
#include "campaign/text.hpp"
#include "campaign/wheel_class.hpp"

namespace cw::campaign {

namespace {

using sim::Phase;
using sim::PhaseKind;

constexpr double cranking_rpm = 150;  // mean of the published cranking record

// Firings a revolution: the main order of the speed ripple.
double firing_order_of(const Engine& engine) {
  return engine.cylinders * 360.0 / engine.cycle_deg;
}

Phase profile(double duration_s, double rpm, double rpm_end, double order, double depth) {
  Phase phase;
  phase.kind = PhaseKind::profile;
  phase.duration_s = duration_s;
  phase.rpm = rpm;
  phase.rpm_end = rpm_end;
  phase.ripples = {{order, depth, 180}};
  return phase;
}

Phase plain(PhaseKind kind, double duration_s, double rpm = 0, double rpm_end = 0, double period_s = 1) {
  Phase phase;
  phase.kind = kind;
  phase.duration_s = duration_s;
  phase.rpm = rpm;
  phase.rpm_end = rpm_end;
  phase.period_s = period_s;
  return phase;
}

// Depth of ripple against speed: torque pulses of one size on one inertia give a speed swing that falls with the square
// of the speed (kinetic energy), from `depth` at cranking speed; a firing engine swings harder than a cranked one.
double ripple_at(double rpm, double depth) {
  const double ratio = cranking_rpm / std::max(rpm, cranking_rpm);
  return std::clamp(3.0 * depth * ratio * ratio, 0.002, depth);
}

// A change of speed in many short pieces, each with the ripple of its speed.
void add_change(std::vector<Phase>& phases, double duration_s, double from_rpm, double to_rpm, double order,
                double depth) {
  constexpr int pieces = 24;
  constexpr double rpm_per_s_max = 30'000;  // DESIGN's hardest case
  duration_s = std::max(duration_s, std::fabs(to_rpm - from_rpm) / rpm_per_s_max);
  for (int i = 0; i < pieces; ++i) {
    const double a = from_rpm + (to_rpm - from_rpm) * i / pieces;
    const double b = i + 1 == pieces ? to_rpm : from_rpm + (to_rpm - from_rpm) * (i + 1) / pieces;
    phases.push_back(profile(duration_s / pieces, a, b, order, ripple_at(0.5 * (a + b), depth)));
  }
}

struct Style {
  double order = 2;
  double depth = 0.42;  // of the ripple while cranking
  double idle_rpm = 800;
  double top_rpm = 6000;
};

void add_cranking(Dice& dice, const Style& style, bool from_rest, std::vector<Phase>& phases) {
  Phase crank = sim::published_cranking(style.order, dice.range(1.5, 6));
  const double published_depth = crank.ripples[0].amplitude;
  // The published record is of four firings a revolution; engines with fewer swing deeper.
  const double scale = dice.range(0.8, 1.7);
  // The same compression swings a crank that a stronger starter turns faster by less: kinetic energy, as in ripple_at.
  const double deeper = style.depth / published_depth / std::max(1.0, scale * scale);
  crank.rpm *= scale;
  crank.rpm_end = crank.rpm;
  for (sim::Ripple& ripple : crank.ripples) {
    ripple.amplitude *= deeper;
  }
  if (from_rest) {
    phases.push_back(plain(PhaseKind::rest, dice.range(0.3, 1.5)));
    Phase start = crank;
    start.duration_s = dice.range(0.15, 0.5);
    start.rpm = 0;
    phases.push_back(start);
  }
  phases.push_back(crank);
}

void add_running(Dice& dice, const Style& style, double seconds, std::vector<Phase>& phases) {
  double rpm = style.idle_rpm;
  while (seconds > 0) {
    const double part_s = std::min(seconds, dice.range(2, 6));
    seconds -= part_s + 0.01;
    const double to_rpm = dice.chance(0.4) ? rpm : dice.log_range(style.idle_rpm, style.top_rpm);
    if (to_rpm == rpm) {
      phases.push_back(profile(part_s, rpm, rpm, style.order, ripple_at(rpm, style.depth)));
    } else {
      add_change(phases, part_s, rpm, to_rpm, style.order, style.depth);
    }
    rpm = to_rpm;
  }
  if (rpm > style.idle_rpm * 1.05) {
    add_change(phases, dice.range(0.8, 2), rpm, style.idle_rpm, style.order, style.depth);
  }
}

void add_stall(Dice& dice, const Style& style, std::vector<Phase>& phases) {
  add_change(phases, dice.range(0.4, 1.2), style.idle_rpm, 0, style.order, style.depth);
  phases.push_back(plain(PhaseKind::rest, dice.range(2, 4)));
}

// Speed given directly: published cranking, then a firing engine.
void drive_by_profile(Dice& dice, Case& drawn) {
  Style style;
  style.order = firing_order_of(drawn.engine);
  const double published = sim::published_cranking(4, 1).ripples[0].amplitude;
  style.depth = published * (style.order >= 4 ? 1.0 : dice.range(1.0, style.order >= 2 ? 1.4 : 1.7));
  style.idle_rpm = dice.range(650, 1100);
  style.top_rpm = dice.range(2500, 12000);
  std::vector<Phase>& phases = drawn.scenario.phases;
  const bool from_rest = dice.chance(0.5);
  add_cranking(dice, style, from_rest, phases);
  drawn.run_words = from_rest ? "from rest by given speed" : "already cranking, given speed";
  const double cranking_only = dice.range(0, 1);
  if (cranking_only < 0.15) {
    phases.back().duration_s += dice.range(4, 10);
    drawn.run_words += ", cranking only";
    return;
  }
  add_change(phases, dice.range(0.5, 1.2), phases.back().rpm, style.idle_rpm, style.order, style.depth);
  add_running(dice, style, dice.range(6, 18), phases);
  drawn.run_words += ", idle " + fixed(style.idle_rpm, 0) + " rpm, up to " + fixed(style.top_rpm, 0) + " rpm";
  if (dice.chance(0.25)) {
    add_stall(dice, style, phases);
    add_cranking(dice, style, true, phases);
    add_change(phases, dice.range(0.5, 1.2), phases.back().rpm, style.idle_rpm, style.order, style.depth);
    add_running(dice, style, dice.range(3, 6), phases);
    drawn.run_words += ", stall and restart";
  }
}

// An engine of the drawn number of cylinders around the simulator's invented four: starter, friction and inertia grow
// with size, but an engine of few cylinders keeps a heavy flywheel and a starter that gets it over compression.
void scale_model(Dice& dice, const Engine& engine, sim::EngineModel& model) {
  const double size = engine.cylinders / 4.0;
  model.inertia_kg_m2 *= dice.range(0.8, 1.5) * std::max(size, 0.9);
  model.friction_nm *= std::max(size, 0.3);
  model.friction_nm_s *= std::max(size, 0.3);
  model.breakaway_nm *= std::max(size, 0.3);
  model.starter_stall_nm *= dice.range(0.9, 1.2) * std::max(size, 0.9);
  model.starter_free_rpm *= dice.range(0.9, 1.3);
  model.compression_ratio = dice.range(9, 12);
}

void drive_by_physics(Dice& dice, Case& drawn) {
  scale_model(dice, drawn.engine, drawn.scenario.model);
  std::vector<Phase>& phases = drawn.scenario.phases;
  const double idle_rpm = dice.range(700, 1100);
  const int starts = dice.chance(0.35) ? 2 : 1;
  bool kicked = false;
  for (int i = 0; i < starts; ++i) {
    phases.push_back(plain(PhaseKind::rest, dice.range(0.3, 1.5)));
    phases.push_back(plain(PhaseKind::crank, dice.range(2, 5)));
    if (dice.chance(0.08)) {
      sim::KickBack kick;
      kick.after_s = dice.range(0.6, 1.8);
      phases.back().kick_back = kick;
      kicked = true;
    }
    phases.push_back(plain(PhaseKind::run, dice.range(3, 6), idle_rpm));
    if (dice.chance(0.6)) {
      phases.push_back(plain(PhaseKind::sweep, dice.range(4, 8), idle_rpm, dice.range(2000, 6000), dice.range(3, 8)));
    }
    if (i + 1 < starts || dice.chance(0.5)) {
      phases.push_back(plain(PhaseKind::run_down, dice.range(3, 5)));
    }
  }
  drawn.run_words = std::string("by the crank model, ") + (starts > 1 ? "two starts" : "one start") +
                    (kicked ? ", with a kick-back" : "");
}

}  // namespace

namespace {

// Drawn as waves of the mean firing order: put to the engine's own firing angles, as deep as drawn.
void fire_unevenly(Case& drawn) {
  for (Phase& phase : drawn.scenario.phases) {
    if (phase.kind == PhaseKind::profile && !phase.ripples.empty()) {
      phase.ripples = sim::firing_ripple(drawn.engine, phase.ripples.front().amplitude);
    }
  }
}

}  // namespace

void draw_run_down(Dice& dice, Case& drawn) {
  sim::EngineModel& model = drawn.scenario.model;
  scale_model(dice, drawn.engine, model);
  model.inertia_kg_m2 *= dice.range(0.7, 1.6);
  const double friction = dice.range(0.6, 1.5);
  model.friction_nm *= friction;
  model.breakaway_nm *= friction;
  model.friction_nm_s *= dice.range(0.5, 2);
  model.starter_stall_nm *= std::max(1.0, friction);
  model.rod_ratio = dice.range(3, 4);
  model.reciprocating_kg *= dice.range(0.7, 1.4);
  model.leak_s = dice.log_range(0.25, 2);
  model.closed_deg = dice.range(125, 150);
  drawn.scenario.start_deg = dice.range(0, drawn.engine.cycle_deg - 0.01);
  std::vector<Phase>& phases = drawn.scenario.phases;
  phases.push_back(plain(PhaseKind::rest, 0.3));
  phases.push_back(plain(PhaseKind::crank, dice.range(2, 4)));
  phases.push_back(plain(PhaseKind::run, dice.range(4, 6), dice.range(800, 1500)));
  phases.push_back(plain(PhaseKind::run_down, 5));
  drawn.run_words = "start, idle, run-down";
}

bool draw_learn_run(Dice& dice, Case& drawn) {
  constexpr double long_s = 10;
  const bool cranking = dice.chance(0.5);
  drawn.scenario.start_deg = dice.range(0, drawn.engine.cycle_deg - 0.01);
  std::vector<Phase>& phases = drawn.scenario.phases;
  const double idle_rpm = dice.range(650, 1100);
  if (dice.chance(0.35)) {
    scale_model(dice, drawn.engine, drawn.scenario.model);
    phases.push_back(plain(PhaseKind::crank, cranking ? long_s : dice.range(1, 3)));
    if (!cranking) {
      phases.push_back(plain(PhaseKind::run, long_s, idle_rpm));
    }
  } else {
    Style style;
    style.order = firing_order_of(drawn.engine);
    const double published = sim::published_cranking(4, 1).ripples[0].amplitude;
    style.depth = published * (style.order >= 4 ? 1.0 : dice.range(1.0, style.order >= 2 ? 1.4 : 1.7));
    if (cranking) {
      add_cranking(dice, style, dice.chance(0.3), phases);
      phases.back().duration_s = long_s;
    } else {
      phases.push_back(profile(long_s, idle_rpm, idle_rpm, style.order, ripple_at(idle_rpm, style.depth)));
    }
    if (!fires_evenly(drawn.engine)) {
      fire_unevenly(drawn);
    }
  }
  drawn.run_words = cranking ? "10 s of cranking" : "10 s at idle";
  return cranking;
}

void draw_run(Dice& dice, Case& drawn) {
  drawn.scenario.start_deg = dice.range(0, drawn.engine.cycle_deg - 0.01);
  if (dice.chance(0.35)) {
    drive_by_physics(dice, drawn);
  } else {
    drive_by_profile(dice, drawn);
  }
  if (!fires_evenly(drawn.engine)) {
    fire_unevenly(drawn);
  }
}

namespace {

void move_phaser(Dice& dice, const CamPattern& cam, double end_s, sim::CamSensor& sensor) {
  // Parked while cranking and warming up, then moved at up to 150 crank degrees a second: hydraulic phasers make of the
  // order of 100 (from memory).
  double t_s = dice.range(5, 9);
  double deg = 0;
  sensor.phaser.push_back({t_s, deg});
  while (t_s < end_s) {
    const double to_deg = dice.range(cam.phaser_min_deg, cam.phaser_max_deg);
    t_s += std::fabs(to_deg - deg) / dice.log_range(30, 150) + 0.01;
    sensor.phaser.push_back({t_s, to_deg});
    t_s += dice.range(0.5, 4);
    sensor.phaser.push_back({t_s, to_deg});
    deg = to_deg;
  }
}

}  // namespace

void draw_noise(Dice& dice, Case& drawn) {
  sim::Scenario& scenario = drawn.scenario;
  scenario.tick_ns = dice.pick({100, 125, 250, 500, 1000});
  scenario.sample_deg = 5;
  scenario.crank.noise.jitter_ns = dice.log_range(200, 3000);
  scenario.crank.duty = dice.range(0.3, 0.7);
  scenario.crank.pitch_error_sd_deg = dice.chance(0.5) ? dice.range(0.005, 0.05) : 0.0;
  double end_s = 0;
  for (const sim::Phase& phase : scenario.phases) {
    end_s += phase.duration_s;
  }
  for (const CamPattern& cam : drawn.engine.cams) {
    sim::CamSensor sensor;
    sensor.name = cam.name;
    sensor.noise.jitter_ns = dice.log_range(500, 10000);
    // What turns with the crank has neither drive nor phaser between; all that is left is how well it was set.
    const bool index = cam.turns_with_crank;
    sensor.backlash_deg = index ? 0 : dice.range(0, 1);
    sensor.torsion_deg = index ? 0 : dice.range(0, 0.3);
    sensor.phase_deg = (index ? 0.1 : 1) * dice.range(-1.5, 1.5);
    if (cam.phaser_min_deg != cam.phaser_max_deg) {
      move_phaser(dice, cam, end_s, sensor);
    }
    scenario.cams.push_back(sensor);
  }
  scenario.ecu.error_deg = dice.range(-0.4, 0.4);
  scenario.ecu.delay_us = dice.range(0, 5);
  scenario.ecu.jitter_us = dice.range(0.2, 3);
  scenario.ecu.dwell_ms = dice.range(1.5, 4);
}

}  // namespace cw::campaign
