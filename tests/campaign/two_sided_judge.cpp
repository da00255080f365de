#include <algorithm>
#include <cmath>
#include <map>
#include <ostream>
#include <set>

#include "campaign/text.hpp"
#include "campaign/truth_view.hpp"
#include "campaign/two_sided.hpp"

namespace cw::campaign {

namespace {

using K = FindingKind;
using A = Attribution;

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::int64_t said_late_ns = ns_per_s / 4;  // latency, period and bus at the most that is drawn
constexpr std::int64_t near_stop_ns = 3 * ns_per_s;
constexpr double slow_rpm = 450;

// What one of the truths asks for: one of these kinds, with whom they must blame.
struct Wish {
  std::string label;
  std::vector<std::pair<K, A>> accepted;
  Span window;  // of the finding's start
};

struct Scene {
  const TwoSidedCase& drawn;
  const sim::Truth& truth;

  bool says(SignalName name) const { return gives(drawn.maps, name); }
  bool says_sync() const { return says(SignalName::sync_state); }
  // The engine is slow, or stops soon: what is lost then is lost at a start or a stop.
  bool starts_or_stops(std::int64_t t_ns) const {
    for (std::int64_t at_ns = t_ns - ns_per_s / 4; at_ns <= t_ns + near_stop_ns; at_ns += ns_per_s / 20) {
      if (std::fabs(sim::position_at(truth, at_ns).rpm) < slow_rpm) {
        return true;
      }
    }
    return t_ns + ns_per_s > static_cast<std::int64_t>(truth.end_s * 1e9);
  }
  std::int64_t turns_ns(std::int64_t t_ns, double turns) const {
    return static_cast<std::int64_t>(turns * static_cast<double>(cycle_ns(truth, t_ns)) * 360 / truth.cycle_deg);
  }
  // Whether the tap saw the crank's signal fail just before.
  bool odd_at_tap(std::int64_t t_ns) const {
    return std::any_of(truth.faults.begin(), truth.faults.end(), [&](const sim::TruthFault& fault) {
      const bool wire = fault.channel == drawn.drawn.engine.crank.channel && fault.seen_by != sim::SeenBy::ecu;
      const std::int64_t end_ns = fault.end_ns.value_or(fault.t_ns);
      constexpr std::int64_t input_ns = 1'000'000;  // the ECU's own jitter may bring the edge to it earlier
      return wire && fault.t_ns - input_ns <= t_ns && t_ns <= end_ns + turns_ns(t_ns, 2.5);
    });
  }
  // Teeth at angles of their own, none missing: what tells the places is no gap but all angles.
  bool uneven_teeth() const {
    const Wheel& wheel = drawn.drawn.engine.crank;
    const double pitch_deg = wheel.period_deg / static_cast<double>(wheel.teeth.size());
    constexpr double uneven_deg = 0.1;
    return static_cast<std::size_t>(wheel.positions) == wheel.teeth.size() &&
           std::any_of(wheel.teeth.begin(), wheel.teeth.end(), [&](const WheelTooth& tooth) {
             return std::fabs(std::remainder(tooth.angle_deg, pitch_deg)) > uneven_deg;
           });
  }
  // A lenient ECU may count from a wrong tooth: one that it took at the start where teeth are uneven, or after a fault on
  // its wire that it held on over. Its speed is then worked out with angles of other teeth.
  bool may_count_wrongly(std::int64_t t_ns) const {
    const bool lenient = drawn.drawn.scenario.ecu.counter && drawn.drawn.scenario.ecu.counter->tolerate_teeth > 0;
    const bool odd = std::any_of(truth.faults.begin(), truth.faults.end(), [&](const sim::TruthFault& fault) {
      return fault.channel == drawn.drawn.engine.crank.channel && fault.seen_by != sim::SeenBy::tap &&
             fault.t_ns <= t_ns;
    });
    return lenient && (odd || uneven_teeth());
  }
  // A fault of that kind was on at the time, or had been `after_ns` before.
  bool during(sim::FaultKind kind, std::int64_t t_ns, std::int64_t after_ns) const {
    return std::any_of(truth.faults.begin(), truth.faults.end(), [&](const sim::TruthFault& fault) {
      const bool lasts = !fault.end_ns && drawn.drawn.scenario.faults.front().for_s == std::nullopt;
      const std::int64_t end_ns = lasts ? INT64_MAX - after_ns : fault.end_ns.value_or(fault.t_ns);
      return fault.kind == to_string(kind) && fault.t_ns - ns_per_s <= t_ns && t_ns <= end_ns + after_ns;
    });
  }
  // The ECU was without sync at some time of the span.
  bool ecu_without_sync(const Span& span) const {
    sim::EcuState state = sim::EcuState::no_signal;
    const auto locked = [](sim::EcuState s) { return s == sim::EcuState::revolution || s == sim::EcuState::cycle; };
    for (const sim::EcuMoment& moment : truth.ecu) {
      if (moment.t_ns > span.from_ns && !locked(state)) {
        return true;
      }
      if (moment.t_ns > span.to_ns) {
        return false;
      }
      state = moment.state;
    }
    return !locked(state);
  }
};

std::string label_of(const Scene& scene) {
  std::string label(to_string(scene.drawn.situation));
  const bool wire = scene.drawn.situation == Situation::ecu_alone || scene.drawn.situation == Situation::both ||
                    scene.drawn.situation == Situation::tap_alone;
  if (wire && !scene.drawn.drawn.scenario.faults.empty()) {
    label += ": " + std::string(sim::to_string(scene.drawn.drawn.scenario.faults.front().kind));
  }
  return label;
}

// An ECU that was back in sync before its next frame, with nothing in its counter to lose: all that shows is a short
// silence.
bool leaves_no_trace(const Scene& scene, std::size_t off) {
  const std::vector<sim::EcuMoment>& moments = scene.truth.ecu;
  std::size_t locked = off + 1;
  while (locked < moments.size() && moments[locked].state != sim::EcuState::revolution &&
         moments[locked].state != sim::EcuState::cycle) {
    ++locked;
  }
  constexpr double slot_ns = 10e6;  // of the message with the state, in both layouts
  const double frame_ns = slot_ns * scene.drawn.drawn.scenario.ecu.can->period_scale;
  const bool counted = off > 0 && moments[off - 1].losses > 0;
  return !counted && locked < moments.size() && off + 1 < moments.size() &&
         static_cast<double>(moments[locked].t_ns - moments[off + 1].t_ns) < frame_ns;
}

void wish_for_losses(const Scene& scene, std::vector<Wish>& wishes) {
  for (std::size_t i = 0; i < scene.truth.ecu.size(); ++i) {
    const sim::EcuMoment& moment = scene.truth.ecu[i];
    const bool off = moment.state == sim::EcuState::off;
    const bool loss = moment.state == sim::EcuState::lost || off;
    if (!scene.says_sync() || !loss || scene.starts_or_stops(moment.t_ns) || (off && leaves_no_trace(scene, i))) {
      continue;
    }
    Wish wish;
    const bool odd = scene.odd_at_tap(moment.t_ns);
    wish.label = label_of(scene);
    if (off) {
      wish.accepted = {{K::ecu_restarted, A::ecu}};
    } else if (odd) {
      wish.accepted = {{K::ecu_lost_sync, A::sensor_or_wiring}};
    } else {
      wish.accepted = {{K::ecu_lost_sync_on_clean_signal, A::ecu}};
    }
    constexpr std::int64_t boot_ns = 2 * ns_per_s;
    wish.window = {moment.t_ns - ns_per_s / 5, moment.t_ns + said_late_ns + (off ? boot_ns : 0)};
    wishes.push_back(wish);
  }
}

void wish_for_faults(const Scene& scene, std::vector<Wish>& wishes) {
  for (const sim::TruthFault& fault : scene.truth.faults) {
    const Span soon{fault.t_ns - ns_per_s / 5, fault.t_ns + ns_per_s};
    const Span later{fault.t_ns - ns_per_s / 5, fault.t_ns + 5 * ns_per_s};
    if (fault.kind == to_string(sim::FaultKind::ecu_silent)) {
      wishes.push_back({label_of(scene), {{K::ecu_silent, A::undecided}}, soon});
    } else if (fault.kind == to_string(sim::FaultKind::ecu_speed_disagrees)) {
      wishes.push_back({label_of(scene), {{K::ecu_speed_disagrees, A::ecu}}, later});
    } else if (fault.kind == to_string(sim::FaultKind::ecu_offset_changed) && scene.says(SignalName::trigger_offset)) {
      wishes.push_back({label_of(scene), {{K::ecu_offset_changed, A::none}}, soon});
    } else if (fault.kind == to_string(sim::FaultKind::ecu_advance_disagrees)) {
      // The same evidence: the mark stands where the advance that is said does not put it.
      wishes.push_back(
          {label_of(scene), {{K::ecu_advance_disagrees, A::undecided}, {K::tdc_deviation, A::ecu}}, later});
    }
  }
}

bool about_ecu(K kind) {
  return kind >= K::ecu_speed_disagrees && kind <= K::ecu_silent;
}

bool is_told_loss(K kind) {
  return kind == K::ecu_lost_sync || kind == K::ecu_lost_sync_on_clean_signal || kind == K::ecu_restarted;
}

std::string said(const Finding& finding) {
  return std::string(to_string(finding.kind)) + " (" + std::string(to_string(finding.attribution)) + ")";
}

// Losses close together are told as one, with their number; it is told after the last of them.
bool in_window(const Wish& wish, const Finding& finding) {
  const bool begins = finding.start_ns >= wish.window.from_ns && finding.start_ns <= wish.window.to_ns;
  const bool several = std::any_of(finding.values.begin(), finding.values.end(), [](const auto& value) {
    return value.first == "losses_counted" && value.second > 1;
  });
  return begins || (several && finding.start_ns <= wish.window.from_ns &&
                    finding.session_ns >= wish.window.from_ns + ns_per_s / 5);
}

bool fits(const Wish& wish, const Finding& finding, bool blame_too) {
  return in_window(wish, finding) && std::any_of(wish.accepted.begin(), wish.accepted.end(), [&](const auto& accepted) {
           return finding.kind == accepted.first && (!blame_too || finding.attribution == accepted.second);
         });
}

// Whether a loss that was told is one of the truth's at a start or a stop, where any of the kinds will do.
bool at_a_start_or_stop(const Scene& scene, const Finding& finding) {
  return std::any_of(scene.truth.ecu.begin(), scene.truth.ecu.end(), [&](const sim::EcuMoment& moment) {
    const bool near = finding.start_ns >= moment.t_ns - ns_per_s / 5 && finding.start_ns <= moment.t_ns + ns_per_s;
    const bool loss = moment.state == sim::EcuState::lost || moment.state == sim::EcuState::no_signal;
    return near && loss && scene.starts_or_stops(moment.t_ns);
  });
}

// What a situation may lead to beside what is asked for.
bool explained(const Scene& scene, const Finding& finding) {
  const std::int64_t at_ns = finding.start_ns;
  const auto on = [&](sim::FaultKind kind, std::int64_t after_ns) { return scene.during(kind, at_ns, after_ns); };
  const bool ecu_dead = on(sim::FaultKind::crank_signal_stopped, 3 * ns_per_s);
  switch (finding.kind) {
    case K::ecu_restarted:
      // Also where it may have left no trace, and did.
      return at_a_start_or_stop(scene, finding) || on(sim::FaultKind::ecu_restarted, 2 * ns_per_s);
    case K::ecu_lost_sync:
    case K::ecu_lost_sync_on_clean_signal:
      return at_a_start_or_stop(scene, finding);
    case K::ecu_sync_disagrees:
      // Who is without sync is blamed for it: the ECU, or what we listen to.
      return finding.attribution == A::ecu
                 ? scene.ecu_without_sync({at_ns - ns_per_s / 5, at_ns + 2 * ns_per_s})
                 : scene.drawn.situation == Situation::tap_alone || scene.drawn.situation == Situation::both;
    case K::ecu_missed_fault:
      return finding.attribution != A::ecu && scene.odd_at_tap(at_ns + ns_per_s / 50);
    case K::ecu_speed_disagrees:
      return ecu_dead || on(sim::FaultKind::ecu_speed_disagrees, 0) || scene.may_count_wrongly(at_ns);
    case K::ecu_advance_disagrees:
      return on(sim::FaultKind::ecu_offset_changed, 0);  // the spark moves, what is said of it does not
    default:
      return false;
  }
}

}  // namespace

bool TwoSidedVerdict::good() const {
  return problem.empty() && false_alarms.empty() &&
         std::all_of(wanted.begin(), wanted.end(), [](const TwoSidedWanted& one) { return one.blamed; });
}

TwoSidedVerdict judge_two_sided(const TwoSidedCase& drawn, const sim::Simulation& simulation,
                                const Observed& observed) {
  TwoSidedVerdict verdict;
  verdict.seed = drawn.drawn.seed;
  verdict.situation = drawn.situation;
  const Scene scene{drawn, simulation.truth};
  std::vector<Wish> wishes;
  wish_for_losses(scene, wishes);
  wish_for_faults(scene, wishes);
  std::vector<Finding> findings;
  std::copy_if(observed.findings.begin(), observed.findings.end(), std::back_inserter(findings),
               [](const Finding& one) {
                 return (about_ecu(one.kind) || one.kind == K::tdc_deviation) && one.phase != FindingPhase::close;
               });
  for (const Wish& wish : wishes) {
    TwoSidedWanted wanted{wish.label, "nothing", false, false};
    for (const Finding& finding : findings) {
      const bool in_time = in_window(wish, finding);
      const bool right = fits(wish, finding, true);
      if (right || (fits(wish, finding, false) && !wanted.blamed) ||
          (in_time && is_told_loss(finding.kind) && !wanted.named)) {
        wanted.found = said(finding);
        wanted.named = wanted.named || fits(wish, finding, false);
        wanted.blamed = wanted.blamed || right;
      }
    }
    verdict.wanted.push_back(wanted);
  }
  for (const Finding& finding : findings) {
    const bool wished =
        std::any_of(wishes.begin(), wishes.end(), [&](const Wish& wish) { return fits(wish, finding, false); });
    if (about_ecu(finding.kind) && finding.severity != Severity::info && !wished && !explained(scene, finding)) {
      verdict.false_alarms.push_back(said(finding) + " at " + fixed(static_cast<double>(finding.start_ns) * 1e-9, 3) +
                                     " s");
      verdict.false_alarm_kinds.push_back(said(finding));
    }
  }
  return verdict;
}

std::string failure_of(const TwoSidedVerdict& verdict) {
  if (!verdict.problem.empty()) {
    return "could not be run: " + verdict.problem;
  }
  std::string text;
  for (const TwoSidedWanted& wanted : verdict.wanted) {
    if (!wanted.blamed) {
      text += (text.empty() ? "" : "; ") + wanted.label + ": said " + wanted.found;
    }
  }
  for (const std::string& alarm : verdict.false_alarms) {
    text += (text.empty() ? "" : "; ") + std::string("false alarm ") + alarm;
  }
  return text;
}

std::vector<std::string> missed_targets(std::span<const TwoSidedVerdict> verdicts, const Demands& demands) {
  std::vector<std::string> missed;
  const auto good = static_cast<std::size_t>(
      std::count_if(verdicts.begin(), verdicts.end(), [](const TwoSidedVerdict& verdict) { return verdict.good(); }));
  if (static_cast<double>(good) < demands.two_sided_least * static_cast<double>(verdicts.size())) {
    missed.push_back("runs with all of the ECU's side right: " + std::to_string(good) + " of " +
                     std::to_string(verdicts.size()) + "; at least " + percent(demands.two_sided_least, 0) + " wanted");
  }
  return missed;
}

namespace {

struct Row {
  std::size_t runs = 0;
  std::size_t good = 0;
  std::size_t wanted = 0;
  std::size_t named = 0;
  std::size_t blamed = 0;
  std::size_t alarmed = 0;
};

void add(const TwoSidedVerdict& verdict, Row& row) {
  ++row.runs;
  row.good += verdict.good() ? 1 : 0;
  row.alarmed += verdict.false_alarms.empty() ? 0 : 1;
  for (const TwoSidedWanted& wanted : verdict.wanted) {
    ++row.wanted;
    row.named += wanted.named ? 1 : 0;
    row.blamed += wanted.blamed ? 1 : 0;
  }
}

void print_row(const std::string& name, const Row& row, std::ostream& out) {
  out << "  " << padded(name, 14) << padded(share_cell(row.good, row.runs), 28)
      << padded(share_cell(row.named, row.wanted), 28) << padded(share_cell(row.blamed, row.wanted), 28)
      << share_cell(row.alarmed, row.runs) << "\n";
}

// What was the case against what was said and who was blamed.
void print_said(std::span<const TwoSidedVerdict> verdicts, std::ostream& out) {
  std::map<std::string, std::map<std::string, std::size_t>> matrix;
  for (const TwoSidedVerdict& verdict : verdicts) {
    for (const TwoSidedWanted& wanted : verdict.wanted) {
      ++matrix[wanted.label][wanted.found];
    }
    for (const std::string& kind : verdict.false_alarm_kinds) {
      ++matrix["no reason"][kind];
    }
    if (verdict.good() && verdict.wanted.empty()) {
      ++matrix[std::string(to_string(verdict.situation)) + ", nothing to say"]["no fault found with the ECU"];
    }
  }
  out << "\nWhat was the case, and what was said of it (who is blamed):\n";
  for (const auto& [label, counts] : matrix) {
    out << "  " << label << "\n";
    for (const auto& [kind, count] : counts) {
      out << "    " << right(std::to_string(count), 5) << "  " << kind << "\n";
    }
  }
}

}  // namespace

void print_report(std::span<const TwoSidedVerdict> verdicts, std::ostream& out) {
  std::map<Situation, Row> rows;
  Row all;
  for (const TwoSidedVerdict& verdict : verdicts) {
    if (verdict.problem.empty()) {
      add(verdict, rows[verdict.situation]);
      add(verdict, all);
    }
  }
  out << all.runs << " runs with an ECU beside the witness; shares with 95 % bounds\n\n  " << padded("situation", 14)
      << padded("runs all right", 28) << padded("named", 28) << padded("rightly blamed", 28)
      << "runs with a false alarm\n";
  for (const auto& [situation, row] : rows) {
    print_row(std::string(to_string(situation)), row, out);
  }
  print_row("all", all, out);
  print_said(verdicts, out);
  print_failing_seeds(
      verdicts, " --two-sided", [](const TwoSidedVerdict& verdict) { return to_string(verdict.situation); }, out);
}

}  // namespace cw::campaign
