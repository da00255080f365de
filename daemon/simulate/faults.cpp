#include "simulate/faults.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <limits>

#include "geometry/angle.hpp"

namespace cw::sim {

namespace {

constexpr std::size_t none = static_cast<std::size_t>(-1);
constexpr int places_max = 100000;
constexpr std::size_t added_max = 4000000;
constexpr double standing_burst_s = 0.01;

std::size_t first_from(const std::vector<Toggle>& toggles, double t_s) {
  const auto at = std::lower_bound(toggles.begin(), toggles.end(), t_s,
                                   [](const Toggle& toggle, double t) { return toggle.t_s < t; });
  return static_cast<std::size_t>(at - toggles.begin());
}

// Next undisturbed active edge, turning forwards, from `index` on; `number` 0 = any.
std::size_t next_active(const std::vector<Toggle>& toggles, std::size_t index, int number) {
  for (; index < toggles.size(); ++index) {
    const Toggle& toggle = toggles[index];
    if (toggle.active && toggle.forward && toggle.number != 0 && toggle.keep == Keep::yes &&
        (number == 0 || toggle.number == number)) {
      return index;
    }
  }
  return none;
}

// Where the other edge of a pulse lies. A tooth is the high part of a wheel's signal, so it ends after its rising edge
// and begins before its falling one; a spark output's dwell comes before the spark whatever its polarity.
enum class Partner : std::uint8_t { high_part, before, after };

std::size_t partner_of(const std::vector<Toggle>& toggles, std::size_t index, Partner partner) {
  const bool after = partner == Partner::after || (partner == Partner::high_part && toggles[index].rising);
  if (after) {
    return index + 1 < toggles.size() ? index + 1 : none;
  }
  return index > 0 ? index - 1 : none;
}

void add_toggles(Wire& wire, const std::vector<Toggle>& added) {
  wire.toggles.insert(wire.toggles.end(), added.begin(), added.end());
  sort_toggles(wire.toggles);
}

// A spurious pulse on a wire: down and up again where it is high, up and down where it is low. Its edge of the active
// polarity stands at t_s.
void add_pulse(const Wire& wire, bool active_rising, double t_s, double width_s, std::vector<Toggle>& added) {
  const std::size_t next = first_from(wire.toggles, t_s);
  bool high = wire.starts_high;
  if (next > 0) {
    high = wire.toggles[next - 1].rising;
  } else if (!wire.toggles.empty()) {
    high = !wire.toggles.front().rising;
  }
  const double before_s = next > 0 ? t_s - wire.toggles[next - 1].t_s : t_s;
  const double after_s = next < wire.toggles.size() ? wire.toggles[next].t_s - t_s : width_s * 2;
  const bool first_is_active = high != active_rising;
  const double room_s = 0.5 * (first_is_active ? after_s : before_s);
  const double other_s = std::min(width_s, room_s) * (first_is_active ? 1 : -1);
  added.push_back({t_s, 0, true, active_rising, true, Keep::yes});
  added.push_back({t_s + other_s, 0, false, !active_rising, true, Keep::yes});
}

// Takes one tooth away. Returns how many listed edges went with it.
int take_tooth(Wire& wire, std::size_t index, Partner which, bool one_edge) {
  if (one_edge) {
    wire.toggles[index].keep = Keep::lost;
    return 1;
  }
  const std::size_t partner = partner_of(wire.toggles, index, which);
  wire.toggles[index].keep = Keep::gone;
  int listed = 1;
  if (partner != none) {
    wire.toggles[partner].keep = Keep::gone;
    listed += wire.toggles[partner].active ? 1 : 0;
  }
  return listed;
}

// A wire that stops changing: at the end it jumps to where the signal is by then.
int silence(Wire& wire, double from_s, double to_s) {
  int active = 0;
  int all = 0;
  for (std::size_t i = first_from(wire.toggles, from_s); i < wire.toggles.size() && wire.toggles[i].t_s < to_s; ++i) {
    if (wire.toggles[i].keep != Keep::gone) {
      wire.toggles[i].keep = Keep::gone;
      active += wire.toggles[i].active ? 1 : 0;
      ++all;
    }
  }
  const std::size_t next = first_from(wire.toggles, to_s);
  if (all % 2 != 0 && next < wire.toggles.size()) {
    add_toggles(wire, {{to_s, 0, false, !wire.toggles[next].rising, true, Keep::yes}});
  }
  return active;
}

struct Target {
  Wire* wire = nullptr;
  bool active_rising = false;
  std::string cam;
  Partner partner = Partner::high_part;
};

Target target_of(const Fault& fault, const Engine& engine, Wires& wires) {
  switch (fault.kind) {
    case FaultKind::cam_edge_missing:
    case FaultKind::cam_signal_dead:
    case FaultKind::cam_extra_edge:
      for (std::size_t i = 0; i < engine.cams.size(); ++i) {
        if (fault.cam.empty() || engine.cams[i].name == fault.cam) {
          const bool rising = !engine.cams[i].edges.empty() && engine.cams[i].edges.front().edge == ActiveEdge::rising;
          return {&wires.cams[i], rising, engine.cams[i].name, Partner::high_part};
        }
      }
      return {};
    case FaultKind::reference_missing:
      if (wires.reference && engine.reference) {
        const bool spark = engine.reference->marks == ReferenceMark::spark;
        return {&*wires.reference, engine.reference->active_edge == ActiveEdge::rising, "",
                spark ? Partner::before : Partner::after};
      }
      return {};
    case FaultKind::extra_edge:
    case FaultKind::noise_burst:
    case FaultKind::missed_edge:
    case FaultKind::crank_signal_stopped:
      return {&wires.crank, engine.crank.active_edge == ActiveEdge::rising, "", Partner::high_part};
    default:
      return {};
  }
}

struct Scene {
  const Fault& fault;
  const Motion& motion;
  double cycle_deg;
  Target target;
  Random& random;
  Truth& truth;
  std::vector<Toggle>& added;  // put into the wire once all places are done
};

TruthFault note(const Scene& scene, double t_s) {
  TruthFault entry = noted(scene.fault, t_s, scene.motion, scene.cycle_deg);
  entry.channel = scene.target.wire->channel;
  entry.cam = scene.target.cam;
  return entry;
}

void miss_teeth(const Scene& scene, const Place& place) {
  Wire& wire = *scene.target.wire;
  std::size_t index = next_active(wire.toggles, first_from(wire.toggles, place.t_s), scene.fault.tooth);
  for (int i = 0; i < scene.fault.count && index != none; ++i) {
    TruthFault entry = note(scene, wire.toggles[index].t_s);
    entry.tooth = wire.toggles[index].number;
    entry.count = take_tooth(wire, index, scene.target.partner, scene.fault.one_edge);
    scene.truth.faults.push_back(entry);
    index = next_active(wire.toggles, index + 1, 0);
  }
}

void add_extra(const Scene& scene, const Place& place) {
  Wire& wire = *scene.target.wire;
  std::size_t index = next_active(wire.toggles, first_from(wire.toggles, place.t_s), scene.fault.tooth);
  for (int i = 0; i < scene.fault.count && index != none; ++i) {
    const std::size_t next = next_active(wire.toggles, index + 1, 0);
    if (next == none) {
      break;
    }
    const double deg0 = state_at(scene.motion, wire.toggles[index].t_s).crank_deg;
    const double deg1 = state_at(scene.motion, wire.toggles[next].t_s).crank_deg;
    const double deg = deg0 + scene.fault.fraction * (deg1 - deg0);
    if (const auto t_s = time_at(scene.motion, deg, wire.toggles[index].t_s)) {
      add_pulse(wire, scene.target.active_rising, *t_s, scene.fault.width_us * 1e-6, scene.added);
      TruthFault entry = note(scene, *t_s);
      entry.tooth = wire.toggles[index].number;
      scene.truth.faults.push_back(entry);
    }
    index = next;
  }
}

void add_burst(const Scene& scene, const Place& place) {
  const Wire& wire = *scene.target.wire;
  // A crank that stands, or stops within the span, still has noise on its wire: a short burst then.
  const double end_s =
      time_at(scene.motion, place.crank_deg + scene.fault.span_deg, place.t_s).value_or(place.t_s + standing_burst_s);
  // One pulse in each equal part of the span: at a random place, none on top of another.
  const double part_s = (end_s - place.t_s) / std::max(scene.fault.count, 1);
  for (int i = 0; i < scene.fault.count; ++i) {
    const double t_s = place.t_s + part_s * (i + 0.2 + 0.6 * scene.random.uniform());
    add_pulse(wire, scene.target.active_rising, t_s, std::min(scene.fault.width_us * 1e-6, 0.15 * part_s), scene.added);
  }
  TruthFault entry = note(scene, place.t_s);
  entry.end_ns = std::llround(end_s * 1e9);
  entry.count = scene.fault.count;
  scene.truth.faults.push_back(entry);
}

void go_silent(const Scene& scene, const Place& place) {
  const double end_s = end_of(scene.fault, place, scene.motion);
  TruthFault entry = note(scene, place.t_s);
  if (scene.fault.for_s) {
    entry.end_ns = std::llround(end_s * 1e9);
  }
  entry.count = silence(*scene.target.wire, place.t_s, end_s);
  scene.truth.faults.push_back(entry);
}

}  // namespace

std::vector<Place> places_of(const Fault& fault, const Motion& motion, double cycle_deg) {
  std::vector<Place> places;
  if (motion.empty()) {
    return places;
  }
  Place place;
  if (fault.at_s) {
    if (*fault.at_s > motion.back().t_s) {
      return places;
    }
    place = {*fault.at_s, state_at(motion, *fault.at_s).crank_deg};
  } else {
    place.crank_deg = fault.cycle * cycle_deg + fault.angle_deg;
    const auto t_s = time_at(motion, place.crank_deg, motion.front().t_s);
    if (!t_s) {
      return places;
    }
    place.t_s = *t_s;
  }
  places.push_back(place);
  const double end_s = end_of(fault, place, motion);
  for (int i = 0; i < places_max && fault.every_cycles > 0; ++i) {
    place.crank_deg += fault.every_cycles * cycle_deg;
    const auto t_s = time_at(motion, place.crank_deg, place.t_s);
    if (!t_s || *t_s >= end_s) {
      break;
    }
    place.t_s = *t_s;
    places.push_back(place);
  }
  return places;
}

double end_of(const Fault& fault, const Place& place, const Motion& motion) {
  // Without an end: a second past the run, so that edges delayed beyond its end are meant too.
  return fault.for_s ? place.t_s + *fault.for_s : motion.back().t_s + 1.0;
}

TruthFault noted(const Fault& fault, double t_s, const Motion& motion, double cycle_deg) {
  TruthFault entry;
  entry.kind = to_string(fault.kind);
  entry.seen_by = fault.seen_by;
  entry.t_ns = std::llround(t_s * 1e9);
  const double crank_deg = state_at(motion, t_s).crank_deg;
  entry.crank_deg = wrap_deg(crank_deg, cycle_deg);
  entry.cycle = static_cast<std::int64_t>(std::floor(crank_deg / cycle_deg));
  return entry;
}

void disturb(const Fault& fault, const Engine& engine, const Motion& motion, Wires& wires, Random& random,
             Truth& truth) {
  std::vector<Toggle> added;
  const Scene scene{fault, motion, engine.cycle_deg, target_of(fault, engine, wires), random, truth, added};
  if (scene.target.wire == nullptr) {
    return;
  }
  const std::size_t before = truth.faults.size();
  for (const Place& place : places_of(fault, motion, engine.cycle_deg)) {
    if (added.size() > added_max) {
      break;
    }
    switch (fault.kind) {
      case FaultKind::missed_edge:
      case FaultKind::cam_edge_missing:
        miss_teeth(scene, place);
        break;
      case FaultKind::extra_edge:
      case FaultKind::cam_extra_edge:
        add_extra(scene, place);
        break;
      case FaultKind::noise_burst:
        add_burst(scene, place);
        break;
      case FaultKind::reference_missing:
        if (!fault.for_s) {
          miss_teeth(scene, place);
          break;
        }
        go_silent(scene, place);
        break;
      default:
        go_silent(scene, place);
        break;
    }
  }
  add_toggles(*scene.target.wire, added);
  truth.faults_not_reached += truth.faults.size() == before ? 1 : 0;
}

}  // namespace cw::sim
