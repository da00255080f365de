// Each injected fault: found, rightly named, and located?
//
// What no observer can tell is not counted, with the reason:
// - an extra edge within a tenth of a pitch (or four times the edges' scatter) of a real tooth: which of the two is
// real
//   cannot be seen, so the tooth before and the tooth after are both right;
// - wheel slip with no cam that could show it (no cam, cams that do not tell the turns, or all of them phased and
//   still within their travel): the wheel is the only witness of itself;
// - wheel slip with one cam that shows it: that cam's step looks the same; cam-step and cam-deviation are right too;
// - where within three cycles a wheel slipped: it takes the position away meanwhile;
// - wheel slip by a whole number of teeth of the cam gear (give or take 2 degrees, about what backlash and assembly
//   leave): the same as a belt jump on all cams; cam-step is right too;
// - a belt jump that leaves a phased cam within its travel and tolerance: the phaser may have done it;
// - how many teeth a belt jumped, and the cycle, on a cam whose phaser has left park: the two movements add up;
// - a belt jump on all cams when the wheel itself turns with them: it moves everything alike;
// - a cam edge, missing or extra, when the cams do not tell the turns: nobody knows which edge it was;
// - a dead crank signal below 500 rpm during which no cam edge came: the engine may have stopped.
#include <algorithm>
#include <cmath>
#include <functional>

#include "campaign/expectations.hpp"
#include "campaign/judge.hpp"
#include "campaign/text.hpp"
#include "campaign/truth_view.hpp"
#include "geometry/angle.hpp"

namespace cw::campaign {

namespace {

using sim::FaultKind;
using sim::TruthFault;

struct Scene {
  const Case& drawn;
  const sim::Simulation& simulation;
  const Observed& observed;
  const sim::Fault& fault;
  const Expectation& expected;
  std::vector<TruthFault> entries;
  Span span;

  const sim::Truth& truth() const { return simulation.truth; }
};

bool reportable(const Finding& finding) {
  return finding.severity != Severity::info && finding.phase != FindingPhase::close;
}

// All findings that begin around the fault, by default from a cycle before it, counted in turning.
std::vector<const Finding*> findings_near(const Scene& scene, double cycles_after, double cycles_before = 1) {
  std::vector<const Finding*> near;
  for (const Finding& finding : scene.observed.findings) {
    if (reportable(finding) && begins_near(scene.truth(), scene.span, cycles_after, finding.start_ns, cycles_before)) {
      near.push_back(&finding);
    }
  }
  return near;
}

std::vector<const Finding*> own_findings(const Scene& scene, double cycles_before = 1) {
  std::vector<const Finding*> own = findings_near(scene, scene.expected.cycles_after, cycles_before);
  std::erase_if(own, [&](const Finding* finding) { return finding->kind != scene.expected.finding; });
  return own;
}

bool in_time(const Scene& scene, const Finding& finding, std::int64_t t_ns) {
  return begins_near(scene.truth(), {t_ns, t_ns}, 1, finding.start_ns);
}

// Angles are known modulo a turn only where the cams do not tell the turns apart.
bool at_angle(const Scene& scene, const Finding& finding, double crank_deg) {
  const double modulo_deg = scene.drawn.cam_fixes_cycle ? scene.truth().cycle_deg : deg_per_rev;
  return finding.angle_deg &&
         std::fabs(wrap_signed_deg(*finding.angle_deg - crank_deg, modulo_deg)) <= pitch_deg(scene.drawn.engine);
}

std::optional<double> value_of(const Finding& finding, std::string_view name) {
  for (const auto& [known, value] : finding.values) {
    if (known == name) {
      return value;
    }
  }
  return std::nullopt;
}

void complain(FaultVerdict& verdict, const std::string& what) {
  verdict.words += (verdict.words.empty() ? "" : "; ") + what;
}

// ---- teeth

int tooth_after(const Engine& engine, int number) {
  for (std::size_t i = 0; i < engine.crank.teeth.size(); ++i) {
    if (engine.crank.teeth[i].number == number) {
      return engine.crank.teeth[(i + 1) % engine.crank.teeth.size()].number;
    }
  }
  return number;
}

double angle_of_tooth(const Engine& engine, int number) {
  const auto tooth = std::find_if(engine.crank.teeth.begin(), engine.crank.teeth.end(),
                                  [number](const WheelTooth& candidate) { return candidate.number == number; });
  return tooth == engine.crank.teeth.end() ? 0 : tooth->angle_deg;
}

// From a tooth to the next one; a whole turn where there is only one.
double step_after(const Engine& engine, int number) {
  const double from_deg = angle_of_tooth(engine, number);
  const double step_deg =
      wrap_deg(angle_of_tooth(engine, tooth_after(engine, number)) - from_deg, engine.crank.period_deg);
  return step_deg > 0 ? step_deg : engine.crank.period_deg;
}

// Width of the belt around a tooth in which an extra edge cannot be told from it, degrees.
double confusable_deg(const Scene& scene, double rpm) {
  const double jitter_deg = deg_per_s_per_rpm * rpm * scene.drawn.scenario.crank.noise.jitter_ns * 1e-9;
  return std::max(0.1 * pitch_deg(scene.drawn.engine), 4 * jitter_deg);
}

bool right_tooth(const Scene& scene, const TruthFault& entry, const Finding& finding) {
  if (!finding.tooth || !entry.tooth) {
    return false;
  }
  if (*finding.tooth == *entry.tooth) {
    return true;
  }
  if (scene.fault.kind != FaultKind::extra_edge) {
    return false;
  }
  const Engine& engine = scene.drawn.engine;
  const int next = tooth_after(engine, *entry.tooth);
  const double step_deg = step_after(engine, *entry.tooth);
  const double from_before = scene.fault.fraction * step_deg;
  const double reach = confusable_deg(scene, sim::position_at(scene.truth(), entry.t_ns).rpm);
  const bool near_after = step_deg - from_before <= reach && *finding.tooth == next;
  const bool near_before = from_before <= reach && tooth_after(engine, *finding.tooth) == *entry.tooth;
  return near_after || near_before;
}

void judge_teeth(const Scene& scene, FaultVerdict& verdict) {
  const auto own = own_findings(scene);
  std::uint32_t told = 0;
  std::uint32_t told_right = 0;
  std::vector<bool> hit(scene.entries.size(), false);
  for (const Finding* finding : own) {
    told += finding->count;
    const auto entry = std::find_if(scene.entries.begin(), scene.entries.end(), [&](const TruthFault& candidate) {
      return right_tooth(scene, candidate, *finding) && in_time(scene, *finding, candidate.t_ns) &&
             at_angle(scene, *finding, candidate.crank_deg) &&
             !hit[static_cast<std::size_t>(&candidate - scene.entries.data())];
    });
    if (entry != scene.entries.end()) {
      hit[static_cast<std::size_t>(entry - scene.entries.begin())] = true;
      told_right += finding->count;
    }
  }
  // Of a tooth that fails again and again more than half must be told, and none of them wrong: then it is found.
  const auto all = static_cast<std::uint32_t>(scene.entries.size());
  const std::uint32_t needed = scene.fault.every_cycles > 0 ? all / 2 + 1 : all;
  verdict.named = told >= needed;
  verdict.located = told_right >= needed && (scene.fault.every_cycles == 0 || told == told_right);
  if (!verdict.named || !verdict.located) {
    complain(verdict, std::to_string(all) + " injected, " + std::to_string(told) + " told, " +
                          std::to_string(told_right) + " in the right place");
  }
}

void judge_burst(const Scene& scene, FaultVerdict& verdict) {
  const auto own = own_findings(scene);
  verdict.named = !own.empty();
  const double pitch = pitch_deg(scene.drawn.engine);
  const double modulo_deg = scene.drawn.cam_fixes_cycle ? scene.truth().cycle_deg : deg_per_rev;
  verdict.located = std::any_of(own.begin(), own.end(), [&](const Finding* finding) {
    const double into_deg =
        finding->angle_deg ? wrap_signed_deg(*finding->angle_deg - scene.entries.front().crank_deg, modulo_deg) : 1e9;
    return in_time(scene, *finding, scene.span.from_ns) && into_deg >= -pitch &&
           into_deg <= scene.fault.span_deg + pitch;
  });
}

// ---- silence

std::size_t cam_edges_within(const Scene& scene, const Span& span) {
  return static_cast<std::size_t>(
      std::count_if(scene.simulation.edges.begin(), scene.simulation.edges.end(), [&](const sim::SimEdge& edge) {
        const std::string& name = scene.simulation.channels[edge.channel];
        return edge.t_ns >= span.from_ns && edge.t_ns <= span.to_ns &&
               std::any_of(scene.drawn.engine.cams.begin(), scene.drawn.engine.cams.end(),
                           [&](const CamPattern& cam) { return cam.channel == name; });
      }));
}

void judge_dead_crank(const Scene& scene, FaultVerdict& verdict) {
  constexpr double may_have_stopped_rpm = 500;
  const double rpm = sim::position_at(scene.truth(), scene.span.from_ns).rpm;
  if (rpm < may_have_stopped_rpm && cam_edges_within(scene, scene.span) == 0) {
    verdict.cannot_tell = "crank dead at " + fixed(rpm, 0) + " rpm and no cam edge meanwhile: it may have stopped";
  }
  const auto own = own_findings(scene);
  verdict.named = !own.empty();
  verdict.located = std::any_of(own.begin(), own.end(),
                                [&](const Finding* finding) { return in_time(scene, *finding, scene.span.from_ns); });
}

// ---- cams

const CamPattern* cam_of(const Scene& scene, const std::string& name) {
  for (const CamPattern& cam : scene.drawn.engine.cams) {
    if (cam.name == name) {
      return &cam;
    }
  }
  return nullptr;
}

// Where the cam stands against park, without faults.
double cam_phase_deg(const Scene& scene, const std::string& name, std::int64_t t_ns) {
  const double t_s = static_cast<double>(t_ns) * 1e-9;
  for (const sim::CamSensor& sensor : scene.drawn.scenario.cams) {
    if (sensor.name != name) {
      continue;
    }
    double deg = sensor.phaser.empty() ? 0.0 : sensor.phaser.front().deg;
    for (std::size_t i = 0; i + 1 < sensor.phaser.size(); ++i) {
      const auto& a = sensor.phaser[i];
      const auto& b = sensor.phaser[i + 1];
      if (t_s >= a.t_s && t_s < b.t_s) {
        deg = a.deg + (b.deg - a.deg) * (t_s - a.t_s) / (b.t_s - a.t_s);
      } else if (t_s >= b.t_s) {
        deg = b.deg;
      }
    }
    return deg + sensor.phase_deg;
  }
  return 0;
}

// Whether a phaser could have brought this cam to where a jump by `by_deg` leaves it. The cam must stay out of its travel
// for some cycles: within fewer nobody tells a jump from a passing move.
bool phaser_may_have(const Scene& scene, const CamPattern& cam, double by_deg) {
  if (cam.phaser_min_deg == cam.phaser_max_deg) {
    return false;
  }
  constexpr int cycles_seen = 6;
  bool within = false;
  for (int i = 0; i <= cycles_seen; ++i) {
    const double crank_deg = turned_deg(scene.truth(), scene.span.to_ns) + i * scene.truth().cycle_deg;
    const double phase_deg = cam_phase_deg(scene, cam.name, time_of_deg(scene.truth(), crank_deg)) + by_deg;
    within = within ||
             (phase_deg > cam.phaser_min_deg - cam.tolerance_deg && phase_deg < cam.phaser_max_deg + cam.tolerance_deg);
  }
  return within;
}

// Whether the cam's phaser has left park by the time of the fault: then the teeth of a jump cannot be counted (DESIGN 6).
bool moves(const Scene& scene, const CamPattern& cam) {
  for (const sim::CamSensor& sensor : scene.drawn.scenario.cams) {
    if (sensor.name == cam.name && !sensor.phaser.empty()) {
      return static_cast<double>(scene.span.to_ns) * 1e-9 + 1 > sensor.phaser.front().t_s;
    }
  }
  return false;
}

void judge_cam_edge(const Scene& scene, FaultVerdict& verdict) {
  if (!scene.drawn.cam_fixes_cycle) {
    verdict.cannot_tell = "the cams do not tell the turns apart, so nobody knows which edge it was";
  }
  const auto own = own_findings(scene);
  const TruthFault& entry = scene.entries.front();
  const auto of_cam = [&](const Finding* finding) { return finding->channel == entry.cam; };
  verdict.named = std::any_of(own.begin(), own.end(), of_cam);
  verdict.located = std::any_of(own.begin(), own.end(), [&](const Finding* finding) {
    return of_cam(finding) && in_time(scene, *finding, entry.t_ns) && at_angle(scene, *finding, entry.crank_deg);
  });
}

void judge_dead_cam(const Scene& scene, FaultVerdict& verdict) {
  const auto own = own_findings(scene);
  const TruthFault& entry = scene.entries.front();
  verdict.named =
      std::any_of(own.begin(), own.end(), [&](const Finding* finding) { return finding->channel == entry.cam; });
  verdict.located = std::any_of(own.begin(), own.end(), [&](const Finding* finding) {
    return finding->channel == entry.cam && in_time(scene, *finding, entry.t_ns);
  });
}

void judge_cam_step(const Scene& scene, FaultVerdict& verdict) {
  const auto own = own_findings(scene, step_cycles);
  std::size_t visible = 0;
  verdict.named = true;
  verdict.located = true;
  for (const TruthFault& entry : scene.entries) {
    const CamPattern* cam = cam_of(scene, entry.cam);
    if (cam == nullptr || phaser_may_have(scene, *cam, entry.value * 720.0 / cam->gear_teeth.value_or(1))) {
      continue;
    }
    ++visible;
    const auto step = std::find_if(own.begin(), own.end(), [&](const Finding* finding) {
      return finding->channel == entry.cam &&
             (moves(scene, *cam) || begins_near(scene.truth(), scene.span, step_cycles, finding->start_ns));
    });
    if (step == own.end()) {
      verdict.named = false;
      complain(verdict, "no cam-step for " + entry.cam);
      continue;
    }
    const auto teeth = value_of(**step, "gear_teeth_moved");
    const bool right_teeth = moves(scene, *cam) || (teeth && std::fabs(*teeth - entry.value) < 0.35);
    const bool right_time = moves(scene, *cam) || begins_near(scene.truth(), scene.span, 1, (*step)->start_ns);
    if (!right_teeth || !right_time) {
      verdict.located = false;
      complain(verdict, entry.cam + ": " + (teeth ? fixed(*teeth, 2) : "no") + " teeth told, " + fixed(entry.value, 0) +
                            " true" + (right_time ? "" : ", told at another time"));
    }
  }
  verdict.located = verdict.located && verdict.named;
  if (scene.drawn.engine.crank.shaft == WheelShaft::cam && scene.fault.cam.empty()) {
    verdict.cannot_tell = "the wheel turns with the cams, and so does the ECU that counts from it";
  } else if (visible == 0) {
    verdict.cannot_tell = "the jump leaves every cam that made it within its phaser's travel";
  } else if (!scene.drawn.cam_fixes_cycle) {
    verdict.cannot_tell = "the cams do not tell the turns apart";
  }
}

// ---- the wheel

void judge_slip(const Scene& scene, FaultVerdict& verdict) {
  const double slip_deg = scene.entries.front().value;
  const Engine& engine = scene.drawn.engine;
  std::size_t visible = 0;
  bool whole = false;
  for (const CamPattern& cam : engine.cams) {
    visible += phaser_may_have(scene, cam, -slip_deg) ? 0 : 1;
    const double tooth_deg = 720.0 / cam.gear_teeth.value_or(1);
    whole = whole || std::fabs(wrap_signed_deg(slip_deg, tooth_deg)) <= 2.0;
  }
  if (visible == 0 || !scene.drawn.cam_fixes_cycle) {
    verdict.cannot_tell = "no cam that could show the wheel's slip";
  }
  const bool cam_step_right = visible < 2 || visible < engine.cams.size() || whole;
  const auto near = findings_near(scene, step_cycles);
  for (const Finding* finding : near) {
    const bool wheel = finding->kind == FindingKind::crank_wheel_step;
    const bool cam =
        cam_step_right && (finding->kind == FindingKind::cam_step || finding->kind == FindingKind::cam_deviation);
    if (!wheel && !cam) {
      continue;
    }
    verdict.named = true;
    verdict.found = to_string(finding->kind);
    const auto told = value_of(*finding, "step_deg");
    const double true_deg = wheel ? slip_deg : -slip_deg;
    constexpr double cam_scatter_deg = 2.0;
    const CamPattern* cam_told = cam_of(scene, finding->channel);
    const bool right_size = finding->kind == FindingKind::cam_deviation ||
                            (cam_told != nullptr && moves(scene, *cam_told)) ||
                            (told && std::fabs(*told - true_deg) <= cam_scatter_deg);
    // The slip takes the position away for a turn or two: the step is seen when it is found again.
    constexpr double slip_cycles = 3;
    const bool right_time = finding->kind == FindingKind::cam_deviation ||
                            begins_near(scene.truth(), scene.span, slip_cycles, finding->start_ns);
    verdict.located = verdict.located || (right_size && right_time);
  }
}

// ---- the reference

void judge_deviation(const Scene& scene, FaultVerdict& verdict) {
  constexpr double slack_deg = 0.3;
  constexpr double slack_of_speed = 0.02;  // a delay is measured over cycles whose speed is not quite the same
  const sim::Ecu& ecu = scene.drawn.scenario.ecu;
  auto own = own_findings(scene);
  verdict.named = !own.empty();
  for (const Finding* finding : own) {
    // Middle of the eight cycles over which a deviation is judged, but not before the fault.
    const std::int64_t middle_ns = finding->end_ns - 4 * cycle_ns(scene.truth(), finding->end_ns);
    const double rpm = sim::position_at(scene.truth(), std::max(middle_ns, scene.span.from_ns)).rpm;
    const double delay_us = ecu.delay_us + scene.fault.us;
    const double error_deg = ecu.error_deg + scene.fault.deg;
    const double true_deg = error_deg + deg_per_s_per_rpm * rpm * delay_us * 1e-6;
    const auto told_deg = value_of(*finding, "deviation_deg");
    // With few teeth the angle of a pulse between two of them rests on the speed there: what is asked for is a right
    // uncertainty (DESIGN 8).
    constexpr std::size_t few_teeth = 24;
    const double stated_deg =
        scene.drawn.engine.crank.teeth.size() < few_teeth ? value_of(*finding, "uncertainty_deg").value_or(0) : 0;
    const bool right_size =
        told_deg && std::fabs(*told_deg - true_deg) <= slack_deg + stated_deg + slack_of_speed * std::fabs(true_deg);
    if (right_size && in_time(scene, *finding, scene.span.from_ns)) {
      verdict.located = true;
    } else {
      complain(verdict, (told_deg ? fixed(*told_deg, 2) : "nothing") + " degrees told, " + fixed(true_deg, 2) +
                            " true at " + fixed(rpm, 0) + " rpm");
    }
  }
  if (verdict.located) {
    verdict.words.clear();
  }
}

void judge_reference_missing(const Scene& scene, FaultVerdict& verdict) {
  const auto own = own_findings(scene);
  verdict.named = !own.empty();
  verdict.located = std::any_of(own.begin(), own.end(),
                                [&](const Finding* finding) { return in_time(scene, *finding, scene.span.from_ns); });
}

void judge_kind(const Scene& scene, FaultVerdict& verdict) {
  switch (scene.fault.kind) {
    case FaultKind::extra_edge:
    case FaultKind::missed_edge:
      return judge_teeth(scene, verdict);
    case FaultKind::noise_burst:
      return judge_burst(scene, verdict);
    case FaultKind::crank_signal_stopped:
      return judge_dead_crank(scene, verdict);
    case FaultKind::cam_edge_missing:
    case FaultKind::cam_extra_edge:
      return judge_cam_edge(scene, verdict);
    case FaultKind::cam_signal_dead:
      return judge_dead_cam(scene, verdict);
    case FaultKind::cam_step:
      return judge_cam_step(scene, verdict);
    case FaultKind::crank_wheel_step:
      return judge_slip(scene, verdict);
    case FaultKind::reference_error:
    case FaultKind::reference_delay:
      return judge_deviation(scene, verdict);
    case FaultKind::reference_missing:
      return judge_reference_missing(scene, verdict);
    default:
      return;  // of an ECU that is modelled whole: two_sided_judge.cpp
  }
}

// Who is behind it, as far as an observer can tell (DESIGN 6).
std::vector<Attribution> right_attributions(const Scene& scene) {
  const std::size_t cams = scene.drawn.engine.cams.size();
  switch (scene.fault.kind) {
    case FaultKind::crank_signal_stopped:
      return {Attribution::sensor_or_wiring, Attribution::undecided};  // all may have gone silent together
    case FaultKind::cam_step:
      if (cams == 1 || scene.fault.cam.empty()) {
        return {Attribution::undecided};  // a slip of the wheel, or a jump at the crank pulley
      }
      return {Attribution::cam_drive};
    case FaultKind::crank_wheel_step:
      return {Attribution::wheel, Attribution::undecided};
    case FaultKind::reference_error:
    case FaultKind::reference_delay:
      return {Attribution::ecu};
    case FaultKind::reference_missing:
      return {Attribution::undecided};
    default:
      return {Attribution::sensor_or_wiring};
  }
}

bool rightly_attributed(const Scene& scene) {
  const std::vector<Attribution> right = right_attributions(scene);
  const auto own = own_findings(scene);
  return std::all_of(own.begin(), own.end(), [&](const Finding* finding) {
    return std::find(right.begin(), right.end(), finding->attribution) != right.end();
  });
}

std::string label_of(const sim::Fault& fault) {
  std::string label(sim::to_string(fault.kind));
  if (fault.kind == FaultKind::missed_edge && fault.every_cycles > 0) {
    label += " every nth";
  } else if (fault.kind == FaultKind::missed_edge && fault.count == 2) {
    label += " two";
  } else if (fault.kind == FaultKind::cam_step && fault.cam.empty()) {
    label += " all cams";
  }
  return label;
}

bool locked_at(const Observed& observed, std::int64_t t_ns) {
  LockState state = LockState::no_signal;
  for (const StateChange& change : observed.changes) {
    if (change.session_ns <= t_ns) {
      state = change.to;
    }
  }
  return is_lock(state);
}

// What stands in the confusion matrix: the right kind when it was told, else the first other finding near.
std::string found_of(const Scene& scene, const FaultVerdict& verdict) {
  if (verdict.named) {
    return verdict.found.empty() ? std::string(to_string(scene.expected.finding)) : verdict.found;
  }
  constexpr double look_cycles = 3;
  const auto near = findings_near(scene, look_cycles);
  const auto other = std::find_if(near.begin(), near.end(),
                                  [&](const Finding* finding) { return finding->kind != scene.expected.finding; });
  if (other != near.end()) {
    return std::string(to_string((*other)->kind));
  }
  if (!near.empty()) {
    return std::string(to_string(scene.expected.finding));
  }
  return locked_at(scene.observed, scene.span.from_ns) ? "nothing" : "nothing (not locked)";
}

}  // namespace

void judge_faults(const Case& drawn, const sim::Simulation& simulation, const Observed& observed, Verdict& verdict) {
  for (const sim::Fault& fault : drawn.scenario.faults) {
    Scene scene{
        drawn, simulation, observed, fault, expectation_of(fault.kind), entries_of(simulation.truth, fault.kind), {}};
    if (scene.entries.empty()) {
      continue;  // the run never got there
    }
    scene.span = span_of(fault, scene.entries, simulation.truth);
    FaultVerdict result;
    result.label = label_of(fault);
    judge_kind(scene, result);
    result.found = found_of(scene, result);
    result.attributed = result.named && rightly_attributed(scene);
    if (!result.named && result.words.empty()) {
      result.words = "not told as " + std::string(to_string(scene.expected.finding)) + ", but as " + result.found;
    } else if (!result.located && result.words.empty()) {
      result.words = "told in the wrong place or size";
    }
    verdict.faults.push_back(result);
  }
}

}  // namespace cw::campaign
