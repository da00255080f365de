#include "simulate/simulation.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "geometry/angle.hpp"
#include "simulate/crank_model.hpp"
#include "simulate/faults.hpp"
#include "simulate/random.hpp"
#include "simulate/sensors.hpp"

namespace cw::sim {

namespace {

// Streams of random numbers, one for each use.
constexpr std::uint64_t pitch_stream = 1;
constexpr std::uint64_t crank_stream = 2;
constexpr std::uint64_t reference_stream = 3;
constexpr std::uint64_t fault_stream = 1000;
constexpr std::uint64_t cam_stream = 2000;

std::int64_t to_ns(double t_s) {
  return std::llround(t_s * 1e9);
}

struct Phases {
  PhaseTrack crank_wheel;
  std::vector<PhaseTrack> cams;
};

const CamSensor* sensor_of(const Scenario& scenario, const std::string& cam) {
  for (const CamSensor& sensor : scenario.cams) {
    if (sensor.name == cam) {
      return &sensor;
    }
  }
  return nullptr;
}

void step_cams(const Fault& fault, const Engine& engine, const Motion& motion, Phases& phases, Truth& truth) {
  for (const Place& place : places_of(fault, motion, engine.cycle_deg)) {
    for (std::size_t i = 0; i < engine.cams.size(); ++i) {
      const CamPattern& cam = engine.cams[i];
      if ((!fault.cam.empty() && fault.cam != cam.name) || !cam.gear_teeth) {
        continue;
      }
      const double by_deg = fault.teeth * engine.cycle_deg / *cam.gear_teeth;
      // While the belt climbs over, the cam falls behind or runs ahead by a good half of the crank's speed.
      phases.cams[i].add_step({place.crank_deg, 1.5 * std::fabs(by_deg), by_deg});
      TruthFault entry = noted(fault, place.t_s, motion, engine.cycle_deg);
      entry.channel = cam.channel;
      entry.cam = cam.name;
      entry.value = fault.teeth;
      truth.faults.push_back(entry);
      // A trigger wheel on the camshaft goes with the belt when all cams do.
      if (engine.crank.shaft == WheelShaft::cam && fault.cam.empty() && i == 0) {
        phases.crank_wheel.add_step({place.crank_deg, 1.5 * std::fabs(by_deg), by_deg});
        truth.wheel_slips.push_back({place.crank_deg, 1.5 * std::fabs(by_deg), by_deg});
      }
    }
  }
}

void slip_wheel(const Fault& fault, const Engine& engine, const Motion& motion, Phases& phases, Truth& truth) {
  for (const Place& place : places_of(fault, motion, engine.cycle_deg)) {
    const AngleStep step{place.crank_deg, std::max(2 * std::fabs(fault.deg), 0.5), fault.deg};
    phases.crank_wheel.add_step(step);
    truth.wheel_slips.push_back(step);
    TruthFault entry = noted(fault, place.t_s, motion, engine.cycle_deg);
    entry.channel = engine.crank.channel;
    entry.value = fault.deg;
    truth.faults.push_back(entry);
  }
}

Phases phases_of(const Engine& engine, const Scenario& scenario, const Motion& motion, Truth& truth) {
  Phases phases;
  for (const CamPattern& cam : engine.cams) {
    const CamSensor* sensor = sensor_of(scenario, cam.name);
    PhaseTrack track(sensor != nullptr ? sensor->phase_deg : 0.0);
    if (sensor != nullptr) {
      for (const PhaserPoint& point : sensor->phaser) {
        track.add_point(point.t_s, point.deg);
      }
    }
    phases.cams.push_back(track);
  }
  for (const Fault& fault : scenario.faults) {
    const std::size_t before = truth.faults.size();
    if (fault.kind == FaultKind::cam_step) {
      step_cams(fault, engine, motion, phases, truth);
    } else if (fault.kind == FaultKind::crank_wheel_step) {
      slip_wheel(fault, engine, motion, phases, truth);
    } else {
      continue;
    }
    truth.faults_not_reached += truth.faults.size() == before ? 1 : 0;
  }
  return phases;
}

EcuRun ecu_run(const Engine& engine, const Scenario& scenario, const Motion& motion, const PhaseTrack& wheel,
               Truth& truth) {
  EcuRun run;
  run.wheel = wheel;
  for (const Fault& fault : scenario.faults) {
    const bool error = fault.kind == FaultKind::reference_error;
    const bool delay = fault.kind == FaultKind::reference_delay;
    const bool dead = fault.kind == FaultKind::crank_signal_stopped;
    if (!error && !delay && !dead) {
      continue;
    }
    const std::vector<Place> places = places_of(fault, motion, engine.cycle_deg);
    for (const Place& place : places) {
      const TimedStep step{place.t_s, end_of(fault, place, motion), error ? fault.deg : fault.us};
      (error ? run.error_deg : delay ? run.delay_us : run.signal_dead).push_back(step);
      if (!dead && engine.reference) {
        TruthFault entry = noted(fault, place.t_s, motion, engine.cycle_deg);
        entry.channel = engine.reference->channel;
        entry.value = step.value;
        if (fault.for_s) {
          entry.end_ns = to_ns(step.to_s);
        }
        truth.faults.push_back(entry);
      }
    }
    truth.faults_not_reached += !dead && places.empty() ? 1 : 0;
  }
  return run;
}

// The engine file's own delay is there in truth: the file is right about it.
SensorNoise with_known_delay(SensorNoise noise, double known_us) {
  noise.delay_us += known_us;
  return noise;
}

Wires wires_of(const Engine& engine, const Scenario& scenario, const Motion& motion, Truth& truth) {
  const Phases phases = phases_of(engine, scenario, motion, truth);
  Wires wires;
  Random pitch(scenario.seed, pitch_stream);
  Random crank(scenario.seed, crank_stream);
  wires.crank =
      wheel_wire(engine.crank.channel, motion, phases.crank_wheel, crank_pattern(engine, scenario.crank, pitch),
                 with_known_delay(scenario.crank.noise, engine.crank.delay_us),
                 {scenario.crank.backlash_deg, scenario.crank.torsion_deg}, crank);
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    const CamPattern& cam = engine.cams[i];
    const CamSensor* found = sensor_of(scenario, cam.name);
    const CamSensor sensor = found != nullptr ? *found : CamSensor{};
    Random random(scenario.seed, cam_stream + i);
    wires.cams.push_back(
        wheel_wire(cam.channel, motion, phases.cams[i], cam_pattern(cam, engine.cycle_deg, sensor.width_deg),
                   with_known_delay(sensor.noise, cam.delay_us), {sensor.backlash_deg, sensor.torsion_deg}, random));
  }
  if (engine.reference) {
    Random random(scenario.seed, reference_stream);
    const EcuRun run = ecu_run(engine, scenario, motion, phases.crank_wheel, truth);
    wires.reference = reference_wire(*engine.reference, scenario.ecu, run, motion, random);
  }
  return wires;
}

// The wire as captured: levels alternate, times are cut to the capture's tick.
std::vector<SimEdge> captured(const Wire& wire, std::uint8_t channel, std::int64_t tick_ns) {
  std::vector<SimEdge> edges;
  edges.reserve(wire.toggles.size());
  const std::int64_t tick = std::max<std::int64_t>(tick_ns, 1);
  bool high = wire.starts_high;
  for (const Toggle& toggle : wire.toggles) {
    if (toggle.keep == Keep::gone) {
      continue;
    }
    high = !high;
    if (toggle.keep == Keep::yes) {
      edges.push_back({to_ns(toggle.t_s) / tick * tick, channel, high});
    }
  }
  return edges;
}

std::uint8_t channel_index(std::vector<std::string>& channels, const std::string& name) {
  const auto found = std::find(channels.begin(), channels.end(), name);
  if (found == channels.end()) {
    channels.push_back(name);
    return static_cast<std::uint8_t>(channels.size() - 1);
  }
  return static_cast<std::uint8_t>(found - channels.begin());
}

void capture_all(const Wires& wires, std::int64_t tick_ns, Simulation& result) {
  const auto merge = [&](const Wire& wire) {
    const std::vector<SimEdge> edges = captured(wire, channel_index(result.channels, wire.channel), tick_ns);
    const auto middle = static_cast<std::ptrdiff_t>(result.edges.size());
    result.edges.insert(result.edges.end(), edges.begin(), edges.end());
    std::inplace_merge(result.edges.begin(), result.edges.begin() + middle, result.edges.end(),
                       [](const SimEdge& a, const SimEdge& b) { return a.t_ns < b.t_ns; });
  };
  std::size_t all = wires.crank.toggles.size();
  for (const Wire& cam : wires.cams) {
    all += cam.toggles.size();
  }
  result.edges.reserve(all + (wires.reference ? wires.reference->toggles.size() : 0));
  merge(wires.crank);
  for (const Wire& cam : wires.cams) {
    merge(cam);
  }
  if (wires.reference) {
    merge(*wires.reference);
  }
}

std::vector<std::int64_t> forward_passages(const Motion& motion, const PhaseTrack& phase, double cycle_deg) {
  std::vector<std::int64_t> times;
  const double zero = 0;
  for_each_passage(motion, phase, std::span(&zero, 1), cycle_deg, [&](const Passage& passage) {
    if (passage.forward) {
      times.push_back(to_ns(passage.t_s));
    }
  });
  return times;
}

void add_samples(const Motion& motion, double sample_deg, Truth& truth) {
  const auto add = [&](double t_s, double crank_deg, double speed_deg_s) {
    truth.samples.push_back({to_ns(t_s), crank_deg, speed_deg_s / deg_per_s_per_rpm});
  };
  const double zero = 0;
  for_each_passage(motion, PhaseTrack{}, std::span(&zero, 1), sample_deg, [&](const Passage& passage) {
    // A mark passed backwards is the same mark: its turn already says which.
    add(passage.t_s, static_cast<double>(passage.turn) * sample_deg, passage.speed_deg_s);
  });
  for (std::size_t i = 0; i < motion.size(); ++i) {
    const bool end = i == 0 || i + 1 == motion.size();
    if (end || motion[i].speed_deg_s == 0) {
      add(motion[i].t_s, motion[i].crank_deg, motion[i].speed_deg_s);
    }
  }
  std::stable_sort(truth.samples.begin(), truth.samples.end(),
                   [](const TruthSample& a, const TruthSample& b) { return a.t_ns < b.t_ns; });
}

std::vector<std::int64_t> reversals(const Motion& motion) {
  std::vector<std::int64_t> times;
  double last_direction = 0;
  for (std::size_t i = 0; i + 1 < motion.size(); ++i) {
    const double move = motion[i + 1].crank_deg - motion[i].crank_deg;
    if (move == 0) {
      continue;
    }
    const double direction = move > 0 ? 1 : -1;
    if (last_direction != 0 && direction != last_direction) {
      times.push_back(to_ns(motion[i].t_s));
    }
    last_direction = direction;
  }
  return times;
}

}  // namespace

Simulation simulate(const Engine& engine, const Scenario& scenario) {
  Simulation result;
  Truth& truth = result.truth;
  truth.engine = engine.name;
  truth.seed = scenario.seed;
  truth.cycle_deg = engine.cycle_deg;
  const Motion motion = drive_scenario(engine, scenario);
  truth.end_s = motion.back().t_s;
  Wires wires = wires_of(engine, scenario, motion, truth);
  for (std::size_t i = 0; i < scenario.faults.size(); ++i) {
    Random random(scenario.seed, fault_stream + i);
    disturb(scenario.faults[i], engine, motion, wires, random, truth);
  }
  std::stable_sort(truth.faults.begin(), truth.faults.end(),
                   [](const TruthFault& a, const TruthFault& b) { return a.t_ns < b.t_ns; });
  capture_all(wires, scenario.tick_ns, result);
  truth.tdc1_ns = forward_passages(motion, PhaseTrack{}, engine.cycle_deg);
  PhaseTrack wheel;
  for (const AngleStep& slip : truth.wheel_slips) {
    wheel.add_step(slip);
  }
  truth.wheel_tdc1_ns = forward_passages(motion, wheel, engine.cycle_deg);
  truth.reversals_ns = reversals(motion);
  add_samples(motion, scenario.sample_deg, truth);
  return result;
}

CrankPosition position_at(const Truth& truth, std::int64_t t_ns) {
  if (truth.samples.empty()) {
    return {};
  }
  const auto after = std::upper_bound(truth.samples.begin(), truth.samples.end(), t_ns,
                                      [](std::int64_t t, const TruthSample& sample) { return t < sample.t_ns; });
  const TruthSample& s0 = after == truth.samples.begin() ? truth.samples.front() : *(after - 1);
  double crank_deg = s0.crank_deg;
  double rpm = s0.rpm;
  if (after != truth.samples.begin() && after != truth.samples.end() && after->t_ns > s0.t_ns) {
    const double step_s = static_cast<double>(after->t_ns - s0.t_ns) * 1e-9;
    const double u = static_cast<double>(t_ns - s0.t_ns) * 1e-9 / step_s;
    const Cubic path = Cubic::hermite(s0.crank_deg, after->crank_deg - s0.crank_deg,
                                      s0.rpm * deg_per_s_per_rpm * step_s, after->rpm * deg_per_s_per_rpm * step_s);
    crank_deg = path.at(u);
    rpm = path.slope(u) / step_s / deg_per_s_per_rpm;
  }
  double slipped_deg = 0;
  for (const AngleStep& slip : truth.wheel_slips) {
    slipped_deg += slip.by_deg * std::clamp((crank_deg - slip.from_deg) / slip.span_deg, 0.0, 1.0);
  }
  return {wrap_deg(crank_deg, truth.cycle_deg), wrap_deg(crank_deg - slipped_deg, truth.cycle_deg), rpm};
}

}  // namespace cw::sim
