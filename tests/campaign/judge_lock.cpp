#include <algorithm>
#include <cmath>
#include <string>

#include "campaign/judge.hpp"
#include "campaign/text.hpp"
#include "campaign/truth_view.hpp"
#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw::campaign {

namespace {

constexpr double ns_per_s = 1e9;

std::string at(std::int64_t t_ns) {
  return "at " + fixed(static_cast<double>(t_ns) / ns_per_s, 4) + " s";
}

// While the wheel slips, and until its gap has come round once, no observer can know how far it went.
bool slipping(const Case& drawn, const sim::Truth& truth, std::int64_t t_ns) {
  const double turned = turned_deg(truth, t_ns);
  return std::any_of(truth.wheel_slips.begin(), truth.wheel_slips.end(), [&](const sim::AngleStep& slip) {
    const double end_deg = slip.from_deg + slip.span_deg + drawn.engine.crank.period_deg + pitch_deg(drawn.engine) * 4;
    return turned >= slip.from_deg && turned <= end_deg;
  });
}

bool after_reversal(const sim::Truth& truth, std::int64_t t_ns) {
  const std::vector<Span> backward = backward_spans(truth);
  return std::any_of(backward.begin(), backward.end(), [&](const Span& span) {
    return t_ns >= span.from_ns &&
           std::fabs(turned_deg(truth, t_ns) - turned_deg(truth, span.to_ns)) <= truth.cycle_deg;
  });
}

void judge_cycles(const Case& drawn, const sim::Truth& truth, const Observed& observed, Verdict& verdict) {
  const double half_pitch_deg = 0.5 * pitch_deg(drawn.engine);
  for (const Cycle& cycle : observed.cycles) {
    if (!is_lock(cycle.state)) {
      continue;
    }
    const bool full = cycle.state == LockState::cycle_locked;
    const double modulo_deg = full ? truth.cycle_deg : std::min(truth.cycle_deg, deg_per_rev);
    const sim::CrankPosition position = sim::position_at(truth, cycle.tdc_ns);
    const double error_deg = wrap_signed_deg(position.wheel_deg, modulo_deg);
    if (full && !drawn.cam_fixes_cycle) {
      verdict.false_locks.push_back(
          {true, false, "cycle-locked " + at(cycle.tdc_ns) + " though these cams cannot tell the turns"});
    }
    if (!full && !drawn.place_known) {
      verdict.false_locks.push_back(
          {false, false, "revolution-locked " + at(cycle.tdc_ns) + " though these teeth cannot be told apart"});
    }
    if (slipping(drawn, truth, cycle.tdc_ns)) {
      continue;
    }
    if (std::fabs(error_deg) > half_pitch_deg || position.rpm <= 0) {
      verdict.false_locks.push_back({full, after_reversal(truth, cycle.tdc_ns),
                                     std::string(to_string(cycle.state)) + ": TDC1 claimed " + at(cycle.tdc_ns) +
                                         " where the wheel stands " + fixed(error_deg, 2) + " degrees after it, " +
                                         fixed(position.rpm, 0) + " rpm"});
    }
  }
}

// Spans in which the monitor said cycle-locked, on the host's clock (here the same as the source's).
std::vector<Span> locked_spans(const sim::Truth& truth, const Observed& observed) {
  std::vector<Span> spans;
  bool open = false;
  for (const StateChange& change : observed.changes) {
    if (open) {
      spans.back().to_ns = change.session_ns;
    }
    open = change.to == LockState::cycle_locked;
    if (open) {
      spans.push_back({change.session_ns, change.session_ns});
    }
  }
  if (open) {
    spans.back().to_ns = std::llround(truth.end_s * ns_per_s);
  }
  return spans;
}

// From `after_ns` into the span on nobody may claim a position.
void forbid(const std::vector<Span>& locked, const Span& span, std::int64_t after_ns, const std::string& why,
            const sim::Truth& truth, Verdict& verdict) {
  const std::int64_t from_ns = span.from_ns + after_ns;
  const bool claimed = std::any_of(locked.begin(), locked.end(), [&](const Span& lock) {
    return lock.from_ns < span.to_ns && lock.to_ns > from_ns && span.to_ns > from_ns;
  });
  if (claimed) {
    verdict.false_locks.push_back({true, after_reversal(truth, span.to_ns),
                                   "cycle-locked while " + why + " (" + at(span.from_ns) + " for " +
                                       fixed(static_cast<double>(span.to_ns - span.from_ns) / ns_per_s, 2) + " s)"});
  }
}

void judge_states(const Case& drawn, const sim::Truth& truth, const Observed& observed, Verdict& verdict) {
  // DESIGN 2: no-signal after max(1 s, 4 expected intervals); ticks come each 0.1 s.
  constexpr std::int64_t still_allowed_ns = 1'200'000'000;
  const std::vector<Span> locked = locked_spans(truth, observed);
  for (const Span& span : standing_spans(truth)) {
    forbid(locked, span, still_allowed_ns, "the crank stands", truth, verdict);
  }
  for (const Span& span : backward_spans(truth)) {
    // One sensor does not see the direction: only the gap or a cam edge that comes out of turn tells, so a turn of
    // teeth is allowed (a TDC claimed meanwhile is judged all the same).
    const double turned_back = turned_deg(truth, span.from_ns) - deg_per_rev;
    std::int64_t turn_ns = still_allowed_ns;
    if (turned_deg(truth, span.to_ns) < turned_back) {
      turn_ns = span.to_ns - span.from_ns;
    }
    forbid(locked, span, std::min(still_allowed_ns, turn_ns), "the crank turns backwards", truth, verdict);
  }
  for (const sim::Fault& fault : drawn.scenario.faults) {
    if (fault.kind != sim::FaultKind::crank_signal_stopped) {
      continue;
    }
    const auto entries = entries_of(truth, fault.kind);
    if (!entries.empty()) {
      forbid(locked, span_of(fault, entries, truth), still_allowed_ns, "the crank signal is dead", truth, verdict);
    }
  }
}

// When a listed edge of any cam had come; where all teeth look alike, of every cam (an index and a cam tell it together).
double first_cam_edges_deg(const Case& drawn, const sim::Simulation& simulation) {
  const bool all_needed = tooth_cycle(drawn.engine).repeat_teeth == 1;
  std::vector<double> firsts_deg;
  for (const CamPattern& cam : drawn.engine.cams) {
    const auto listed = [&](const sim::SimEdge& edge) {
      return simulation.channels[edge.channel] == cam.channel &&
             std::any_of(cam.edges.begin(), cam.edges.end(),
                         [&](const CamEdge& each) { return (each.edge == ActiveEdge::rising) == edge.rising; });
    };
    const auto first = std::find_if(simulation.edges.begin(), simulation.edges.end(), listed);
    if (first != simulation.edges.end()) {
      firsts_deg.push_back(turned_deg(simulation.truth, first->t_ns));
    }
  }
  if (firsts_deg.empty()) {
    return 0;
  }
  const auto [least, greatest] = std::minmax_element(firsts_deg.begin(), firsts_deg.end());
  return all_needed ? *greatest : *least;
}

// Cycles from the first moment at which the position could be known (a gap that had teeth before it has passed, and a
// cam edge has come) to the lock.
void judge_time_to_lock(const Case& drawn, const sim::Simulation& simulation, const Observed& observed,
                        Verdict& verdict) {
  const sim::Truth& truth = simulation.truth;
  if (!verdict.clean || truth.samples.empty() || !drawn.place_known) {
    return;
  }
  const LockState full = drawn.cam_fixes_cycle ? LockState::cycle_locked : LockState::revolution_locked;
  const Wheel& wheel = drawn.engine.crank;
  const int missing = wheel.positions - static_cast<int>(wheel.teeth.size());
  const double start_deg = truth.samples.front().crank_deg;
  const double before_deg = start_deg + (missing + 3) * pitch_deg(drawn.engine);
  const double gap_deg = before_deg + wrap_deg(-wheel.trigger_offset_deg - before_deg, wheel.period_deg);
  double usable_deg = gap_deg;
  if (drawn.cam_fixes_cycle) {
    usable_deg = std::max(usable_deg, first_cam_edges_deg(drawn, simulation));
  }
  const auto lock = std::find_if(observed.changes.begin(), observed.changes.end(),
                                 [full](const StateChange& change) { return change.to == full; });
  if (lock == observed.changes.end()) {
    verdict.never_locked = truth.samples.back().crank_deg > usable_deg + 5 * truth.cycle_deg;
    return;
  }
  verdict.cycles_to_lock = std::max(0.0, turned_deg(truth, lock->session_ns) - usable_deg) / truth.cycle_deg;
}

}  // namespace

void judge_lock(const Case& drawn, const sim::Simulation& simulation, const Observed& observed, Verdict& verdict) {
  judge_cycles(drawn, simulation.truth, observed, verdict);
  judge_states(drawn, simulation.truth, observed, verdict);
  judge_time_to_lock(drawn, simulation, observed, verdict);
}

}  // namespace cw::campaign
