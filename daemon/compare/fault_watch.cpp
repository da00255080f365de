#include "compare/fault_watch.hpp"

#include <algorithm>
#include <cstddef>
#include <string>

#include "compare/attribution.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

// Extra edges no further apart than this are one train; three make a burst.
constexpr double train_deg = 90;
constexpr std::size_t burst_min = 3;
constexpr std::size_t train_max = 4096;

std::int64_t train_reach_ns(double rpm) {
  constexpr double ns_per_s = 1e9;
  return static_cast<std::int64_t>(train_deg / (deg_per_s_per_rpm * std::max(rpm, 1.0)) * ns_per_s);
}

bool is_lock(LockState state) {
  return state == LockState::revolution_locked || state == LockState::cycle_locked;
}

void add_strict_counter(const std::optional<bool>& lost, Finding& finding) {
  if (lost) {
    finding.values.emplace_back("strict_counter_lost", *lost ? 1.0 : 0.0);
    finding.reason += *lost ? "; a counter that only counts teeth between gaps would have lost sync here"
                            : "; a counter that only counts teeth between gaps would have held";
  }
}

}  // namespace

Finding FaultWatch::tooth_finding(const ToothEvent& event) const {
  Finding finding;
  apply(attribute(event.extra ? FindingKind::extra_edge : FindingKind::missed_edge, Circumstance::one_edge),
        event.extra ? FindingKind::extra_edge : FindingKind::missed_edge, finding);
  finding.start_ns = event.t_ns;
  finding.end_ns = event.t_ns;
  finding.angle_deg = event.angle_deg;
  finding.tooth = event.tooth;
  finding.rpm = event.rpm;
  finding.cycle = event.cycle;
  finding.channel = engine_.crank.channel;
  add_strict_counter(event.strict_counter_lost, finding);
  return finding;
}

Finding FaultWatch::burst_finding(std::size_t first, std::size_t count) const {
  const ToothEvent& start = train_[first];
  const ToothEvent& end = train_[first + count - 1];
  Finding finding;
  apply(attribute(FindingKind::noise_burst, Circumstance::train), FindingKind::noise_burst, finding);
  finding.start_ns = start.t_ns;
  finding.end_ns = end.t_ns;
  finding.angle_deg = start.angle_deg;
  finding.tooth = start.tooth;
  finding.rpm = start.rpm;
  finding.cycle = start.cycle;
  finding.channel = engine_.crank.channel;
  std::optional<bool> strict;
  std::size_t missed = 0;
  for (std::size_t i = first; i < first + count; ++i) {
    missed += train_[i].extra ? 0 : 1;
    if (train_[i].strict_counter_lost) {
      strict = strict.value_or(false) || *train_[i].strict_counter_lost;
    }
  }
  finding.count = static_cast<std::uint32_t>(count);
  finding.values.emplace_back("extra_edges", static_cast<double>(count - missed));
  finding.values.emplace_back("missed_edges", static_cast<double>(missed));
  constexpr double ms_per_ns = 1e-6;
  finding.values.emplace_back("length_ms", static_cast<double>(end.t_ns - start.t_ns) * ms_per_ns);
  add_strict_counter(strict, finding);
  return finding;
}

void FaultWatch::take(const ToothEvent& event, std::vector<Finding>& out) {
  if (!train_.empty()) {
    const ToothEvent& last = train_.back();
    if (event.t_ns - last.t_ns > train_reach_ns(last.rpm) || train_.size() >= train_max) {
      report_train(out);
    }
  }
  train_.push_back(event);
}

void FaultWatch::settle(std::int64_t now_ns, std::vector<Finding>& out) {
  if (!train_.empty() && now_ns - train_.back().t_ns > train_reach_ns(train_.back().rpm)) {
    report_train(out);
  }
}

void FaultWatch::report_train(std::vector<Finding>& out) {
  const auto extras = std::count_if(train_.begin(), train_.end(), [](const ToothEvent& event) { return event.extra; });
  if (static_cast<std::size_t>(extras) >= burst_min) {
    Finding finding = burst_finding(0, train_.size());
    finding.id = next_id_++;
    out.push_back(std::move(finding));
  } else {
    for (const ToothEvent& event : train_) {
      Finding finding = tooth_finding(event);
      finding.id = next_id_++;
      out.push_back(std::move(finding));
    }
  }
  train_.clear();
}

void FaultWatch::take(const LockEvent& event, std::vector<Finding>& out) {
  const bool down = is_lock(event.from) && !is_lock(event.to);
  if (down) {
    report_train(out);
  }
  if (down && event.to == LockState::lost && event.reason != LossReason::signal_stopped) {
    const bool contradicted = event.reason == LossReason::contradicted;
    Finding finding;
    apply(attribute(FindingKind::sync_lost,
                    contradicted ? Circumstance::position_contradicted : Circumstance::position_ambiguous),
          FindingKind::sync_lost, finding);
    finding.reason += " (" + std::string(to_string(event.reason)) + ")";
    finding.id = next_id_++;
    finding.phase = FindingPhase::open;
    finding.start_ns = event.t_ns;
    finding.end_ns = event.t_ns;
    finding.angle_deg = event.angle_deg;
    finding.tooth = event.tooth;
    finding.rpm = event.rpm;
    finding.channel = engine_.crank.channel;
    out.push_back(finding);
    open_sync_lost_ = finding;
  }
  // A lock is full when the file gives means for no better one.
  const bool full = event.to == LockState::cycle_locked || (engine_.cams.empty() && is_lock(event.to));
  if (full && open_crank_stopped_) {
    Finding closing = *open_crank_stopped_;
    closing.phase = FindingPhase::close;
    closing.end_ns = event.t_ns;
    out.push_back(closing);
  }
  if (full && (open_sync_lost_ || open_crank_stopped_)) {
    const Finding& lost = open_sync_lost_ ? *open_sync_lost_ : *open_crank_stopped_;
    Finding finding;
    apply(attribute(FindingKind::sync_regained, Circumstance::any), FindingKind::sync_regained, finding);
    finding.id = open_sync_lost_ ? lost.id : next_id_++;
    finding.phase = open_sync_lost_ ? FindingPhase::close : FindingPhase::single;
    finding.start_ns = lost.start_ns;
    finding.end_ns = event.t_ns;
    finding.rpm = event.rpm;
    finding.channel = engine_.crank.channel;
    constexpr double ms_per_ns = 1e-6;
    finding.values.emplace_back("out_of_sync_ms", static_cast<double>(event.t_ns - lost.start_ns) * ms_per_ns);
    out.push_back(finding);
    open_sync_lost_.reset();
    open_crank_stopped_.reset();
  }
}

void FaultWatch::take(const SilenceEvent& event, std::vector<Finding>& out) {
  report_train(out);
  const bool stopped = event.kind == SilenceKind::engine_stopped;
  const FindingKind kind = stopped ? FindingKind::engine_stopped : FindingKind::crank_signal_stopped;
  const Circumstance seen = event.cam_edges_since > 0 ? Circumstance::cams_go_on : Circumstance::all_silent;
  Finding finding;
  apply(attribute(kind, stopped ? Circumstance::any : seen), kind, finding);
  finding.id = next_id_++;
  finding.phase = stopped ? FindingPhase::single : FindingPhase::open;
  finding.start_ns = event.last_edge_ns;
  finding.end_ns = event.noticed_ns;
  finding.channel = engine_.crank.channel;
  if (event.last_rpm > 0) {
    finding.rpm = event.last_rpm;
  }
  if (!stopped) {
    finding.values.emplace_back("cam_edges_since", event.cam_edges_since);
    open_crank_stopped_ = finding;
  }
  out.push_back(std::move(finding));
}

void FaultWatch::finish(std::vector<Finding>& out) {
  report_train(out);
}

}  // namespace cw
