#include "compare/fault_watch.hpp"

#include <algorithm>
#include <cstddef>
#include <string>
#include <utility>

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

bool neighbours(const ToothEvent& a, const ToothEvent& b) {
  return a.kind == ToothFault::missed && b.kind == ToothFault::missed && b.tooth == a.tooth + 1 && a.cycle == b.cycle;
}

void add_strict_counter(const std::optional<bool>& lost, Finding& finding) {
  if (lost) {
    finding.values.emplace_back("strict_counter_lost", *lost ? 1.0 : 0.0);
    finding.reason += *lost ? "; a counter that only counts teeth between gaps would have lost sync here"
                            : "; a counter that only counts teeth between gaps would have held";
  }
}

}  // namespace

template <typename Event>
void FaultWatch::place(const Event& event, Finding& finding) const {
  finding.start_ns = event.t_ns;
  finding.end_ns = event.t_ns;
  finding.angle_deg = event.angle_deg;
  finding.tooth = event.tooth;
  finding.rpm = event.rpm;
  finding.cycle = event.cycle;
  finding.channel = engine_.crank.channel;
}

Finding FaultWatch::tooth_finding(const ToothEvent& event, bool in_a_row) const {
  Finding finding;
  const bool extra = event.kind == ToothFault::extra;
  const FindingKind kind = extra ? FindingKind::extra_edge : FindingKind::missed_edge;
  apply(attribute(kind, !extra && in_a_row ? Circumstance::teeth_in_a_row : Circumstance::one_edge), kind, finding);
  place(event, finding);
  add_strict_counter(event.strict_counter_lost, finding);
  return finding;
}

// With cams watched, CamWatch tells whether the wheel moved and by how much.
void FaultWatch::report_jump(const ToothEvent& event, std::vector<Finding>& out) {
  if (!engine_.cams.empty()) {
    return;
  }
  Finding finding;
  apply(attribute(FindingKind::crank_wheel_step, Circumstance::one_interval), FindingKind::crank_wheel_step, finding);
  place(event, finding);
  finding.id = next_id_++;
  finding.values.emplace_back("step_deg", event.jump_deg);
  out.push_back(std::move(finding));
}

Finding FaultWatch::burst_finding() const {
  Finding finding;
  apply(attribute(FindingKind::noise_burst, Circumstance::train), FindingKind::noise_burst, finding);
  place(train_.front(), finding);
  finding.end_ns = train_.back().t_ns;
  std::optional<bool> strict;
  std::size_t missed = 0;
  for (const ToothEvent& event : train_) {
    missed += event.kind == ToothFault::missed ? 1 : 0;
    if (event.strict_counter_lost) {
      strict = strict.value_or(false) || *event.strict_counter_lost;
    }
  }
  finding.count = static_cast<std::uint32_t>(train_.size());
  finding.values.emplace_back("extra_edges", static_cast<double>(train_.size() - missed));
  finding.values.emplace_back("missed_edges", static_cast<double>(missed));
  constexpr double ms_per_ns = 1e-6;
  finding.values.emplace_back("length_ms", static_cast<double>(finding.end_ns - finding.start_ns) * ms_per_ns);
  add_strict_counter(strict, finding);
  return finding;
}

void FaultWatch::take(const ToothEvent& event, std::vector<Finding>& out) {
  if (event.kind == ToothFault::jump) {
    report_jump(event, out);
    return;
  }
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
  constexpr std::int64_t stopping_ns_max = 3'000'000'000;
  if (slow_loss_ && now_ns - slow_loss_->start_ns > stopping_ns_max) {
    report_loss(out);
  }
}

void FaultWatch::report_train(std::vector<Finding>& out) {
  const auto extras = std::count_if(train_.begin(), train_.end(),
                                    [](const ToothEvent& event) { return event.kind == ToothFault::extra; });
  if (static_cast<std::size_t>(extras) >= burst_min) {
    Finding finding = burst_finding();
    finding.id = next_id_++;
    out.push_back(std::move(finding));
  } else {
    for (std::size_t i = 0; i < train_.size(); ++i) {
      const bool after = i > 0 && neighbours(train_[i - 1], train_[i]);
      const bool before = i + 1 < train_.size() && neighbours(train_[i], train_[i + 1]);
      Finding finding = tooth_finding(train_[i], after || before);
      finding.id = next_id_++;
      out.push_back(std::move(finding));
    }
  }
  train_.clear();
}

Finding FaultWatch::loss_finding(const LockEvent& event) const {
  const bool contradicted = event.reason == LossReason::contradicted;
  Finding finding;
  apply(attribute(FindingKind::sync_lost,
                  contradicted ? Circumstance::position_contradicted : Circumstance::position_ambiguous),
        FindingKind::sync_lost, finding);
  finding.reason += " (" + std::string(to_string(event.reason)) + ")";
  finding.phase = FindingPhase::open;
  place(event, finding);
  return finding;
}

// A loss on a slow crank waits: when the engine stops next, the crank swung back, and nothing was wrong.
void FaultWatch::report_loss(std::vector<Finding>& out) {
  slow_loss_->id = next_id_++;
  out.push_back(*slow_loss_);
  open_sync_lost_ = std::move(slow_loss_);
  slow_loss_.reset();
}

void FaultWatch::take(const LockEvent& event, std::vector<Finding>& out) {
  const bool down = is_lock(event.from) && !is_lock(event.to);
  if (down) {
    report_train(out);
    lost_from_ = event.from;
  }
  if (down && event.to == LockState::lost && event.reason != LossReason::signal_stopped) {
    constexpr double running_rpm = 400;
    slow_loss_ = loss_finding(event);
    if (event.rpm.value_or(running_rpm) >= running_rpm) {
      report_loss(out);
    }
  }
  if (is_lock(event.to) && slow_loss_) {
    report_loss(out);
  }
  // Regained is what was lost: the cycle, or no more than the turn where that was all.
  if (event.to == LockState::cycle_locked || (is_lock(event.to) && lost_from_ == LockState::revolution_locked)) {
    report_regained(event, out);
  }
}

void FaultWatch::report_regained(const LockEvent& event, std::vector<Finding>& out) {
  if (open_crank_stopped_) {
    out.push_back(closed(*open_crank_stopped_, event.t_ns));
  }
  if (!open_sync_lost_ && !open_crank_stopped_) {
    return;
  }
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

void FaultWatch::take(const SilenceEvent& event, std::vector<Finding>& out) {
  report_train(out);
  const bool stopped = event.kind == SilenceKind::engine_stopped;
  if (slow_loss_ && !stopped) {
    report_loss(out);
  }
  slow_loss_.reset();
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
    stopped_at_tap_ = false;
  }
  out.push_back(std::move(finding));
}

void FaultWatch::ecu_turns_alone(std::vector<Finding>& out) {
  if (!open_crank_stopped_ || std::exchange(stopped_at_tap_, true)) {
    return;
  }
  apply(attribute(FindingKind::crank_signal_stopped, Circumstance::ecu_turns_alone), FindingKind::crank_signal_stopped,
        *open_crank_stopped_);
  out.push_back(*open_crank_stopped_);
}

void FaultWatch::finish(std::vector<Finding>& out) {
  report_train(out);
  if (slow_loss_) {
    report_loss(out);
  }
}

}  // namespace cw
