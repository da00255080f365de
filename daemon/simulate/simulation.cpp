#include "simulate/simulation.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "geometry/angle.hpp"
#include "simulate/crank_model.hpp"
#include "simulate/ecu.hpp"
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

// What a fault of the ECU itself changes while it lasts, and by how much; nullptr: it is no such fault.
struct EcuChange {
  std::vector<TimedStep>* steps = nullptr;
  double value = 0;
};
EcuChange change_of(const Fault& fault, EcuRun& run, EcuTrouble& trouble) {
  switch (fault.kind) {
    case FaultKind::reference_error:
      return {&run.error_deg, fault.deg};
    case FaultKind::reference_delay:
      return {&run.delay_us, fault.us};
    case FaultKind::ecu_restarted:
      return {&trouble.off, 0};
    case FaultKind::ecu_silent:
      return {&trouble.silent, 0};
    case FaultKind::ecu_late:
      return {&trouble.late_us, fault.us};
    case FaultKind::ecu_offset_changed:
      return {&trouble.offset_deg, fault.deg};
    case FaultKind::ecu_speed_disagrees:
      return {&trouble.speed_teeth, static_cast<double>(fault.count)};
    case FaultKind::ecu_advance_disagrees:
      return {&trouble.advance_error, fault.deg};
    default:
      return {};
  }
}

// What befalls the ECU over a run, other than on the wires of the sensors.
void trouble_ecu(const Engine& engine, const Scenario& scenario, const Motion& motion, EcuRun& run, EcuTrouble& trouble,
                 Truth& truth) {
  for (const Fault& fault : scenario.faults) {
    const EcuChange change = change_of(fault, run, trouble);
    const bool dead = fault.kind == FaultKind::crank_signal_stopped && fault.seen_by != SeenBy::tap;
    if (change.steps == nullptr && !dead) {
      continue;
    }
    const std::vector<Place> places = places_of(fault, motion, engine.cycle_deg);
    for (const Place& place : places) {
      const TimedStep step{place.t_s, end_of(fault, place, motion), change.value};
      (dead ? run.signal_dead : *change.steps).push_back(step);
      if (!dead) {
        TruthFault entry = noted(fault, place.t_s, motion, engine.cycle_deg);
        const bool output = fault.kind == FaultKind::reference_error || fault.kind == FaultKind::reference_delay;
        entry.channel = output && engine.reference ? engine.reference->channel : "";
        entry.value = step.value;
        if (fault.for_s) {
          entry.end_ns = to_ns(step.to_s);
        }
        truth.faults.push_back(entry);
      }
    }
    truth.faults_not_reached += !dead && places.empty() ? 1 : 0;
  }
  std::stable_sort(trouble.off.begin(), trouble.off.end(),
                   [](const TimedStep& a, const TimedStep& b) { return a.from_s < b.from_s; });
  // A greater trigger offset puts its idea of TDC later.
  run.error_deg.insert(run.error_deg.end(), trouble.offset_deg.begin(), trouble.offset_deg.end());
}

// The engine file's own delay is there in truth: the file is right about it.
SensorNoise with_known_delay(SensorNoise noise, double known_us) {
  noise.delay_us += known_us;
  return noise;
}

// Crank and cams as their sensors give them, before any fault on a wire.
Wires sensor_wires(const Engine& engine, const Scenario& scenario, const Motion& motion, const Phases& phases) {
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
  return wires;
}

// The faults that one side sees, put on its wires.
void disturb_all(const Engine& engine, const Scenario& scenario, const Motion& motion, SeenBy side, Wires& wires,
                 Truth& truth) {
  for (std::size_t i = 0; i < scenario.faults.size(); ++i) {
    const Fault& fault = scenario.faults[i];
    Random random(scenario.seed, fault_stream + i);
    if (fault.seen_by == SeenBy::both || fault.seen_by == side) {
      disturb(fault, engine, motion, wires, random, truth);
    }
  }
}

// The modelled ECU counts on its own wires; what it did joins the truth, what it says the frames.
void run_modelled_ecu(const Engine& engine, const Scenario& scenario, const Motion& motion, const Wires& undisturbed,
                      const EcuTrouble& trouble, EcuRun& run, Simulation& result) {
  const EcuCounter counter = scenario.ecu.counter.value_or(EcuCounter{});
  Wires own = behind_input(undisturbed, counter, motion, scenario.seed);
  // What the tap sees as well is written down there.
  Truth seen_here;
  disturb_all(engine, scenario, motion, SeenBy::ecu, own, seen_here);
  for (const TruthFault& entry : seen_here.faults) {
    if (entry.seen_by == SeenBy::ecu) {
      result.truth.faults.push_back(entry);
    }
  }
  for (const Fault& fault : scenario.faults) {
    const bool unreached = fault.seen_by == SeenBy::ecu && places_of(fault, motion, engine.cycle_deg).empty();
    result.truth.faults_not_reached += unreached ? 1 : 0;
  }
  const double end_s = motion.back().t_s;
  const EcuHistory history =
      count_teeth(engine, counter, ecu_edges(engine, own), end_s, trouble.off, trouble.speed_teeth);
  run.modelled = true;
  run.quiet = quiet_of(engine, scenario.ecu, history, end_s);
  run.advance = advance_of(scenario.ecu, history, end_s);
  result.truth.ecu = history.moments;
  if (scenario.ecu.can) {
    result.frames = broadcast(engine, scenario, history, trouble, end_s);
  }
}

Wires wires_of(const Engine& engine, const Scenario& scenario, const Motion& motion, Simulation& result) {
  const Phases phases = phases_of(engine, scenario, motion, result.truth);
  Wires wires = sensor_wires(engine, scenario, motion, phases);
  EcuRun run;
  run.wheel = phases.crank_wheel;
  EcuTrouble trouble;
  trouble_ecu(engine, scenario, motion, run, trouble, result.truth);
  if (scenario.ecu.modelled()) {
    run_modelled_ecu(engine, scenario, motion, wires, trouble, run, result);
  }
  if (engine.reference) {
    Random random(scenario.seed, reference_stream);
    wires.reference = reference_wire(*engine.reference, scenario.ecu, run, motion, random);
  }
  disturb_all(engine, scenario, motion, SeenBy::tap, wires, result.truth);
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

std::string_view to_string(EcuState state) {
  switch (state) {
    case EcuState::off:
      return "off";
    case EcuState::no_signal:
      return "no-signal";
    case EcuState::searching:
      return "searching";
    case EcuState::revolution:
      return "revolution";
    case EcuState::cycle:
      return "cycle";
    case EcuState::lost:
      return "lost";
  }
  return "unknown";
}

Simulation simulate(const Engine& engine, const Scenario& scenario) {
  Simulation result;
  Truth& truth = result.truth;
  truth.engine = engine.name;
  truth.seed = scenario.seed;
  truth.cycle_deg = engine.cycle_deg;
  const Motion motion = drive_scenario(engine, scenario);
  truth.end_s = motion.back().t_s;
  const Wires wires = wires_of(engine, scenario, motion, result);
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
