#include "compare/tdc_watch.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <string>
#include <utility>

#include "compare/attribution.hpp"
#include "compare/robust.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr int missing_cycles = 4;
constexpr double uncertainty_most_deg = 10;

}  // namespace

double TdcWatch::deviation_deg(const ReferenceEvent& event, double advance_deg) const {
  const Reference& reference = *engine_.reference;
  // With only the revolution known, two places half a cycle apart can't be told: judged modulo a revolution.
  const double period_deg =
      event.state == LockState::cycle_locked ? reference.period_deg : std::min(reference.period_deg, deg_per_rev);
  // A pulse half a period out is read as early, always: scatter must not flip its sign.
  constexpr double flip_guard_deg = 30;
  const double deviation = wrap_signed_deg(event.angle_deg + advance_deg, period_deg);
  return deviation > period_deg / 2 - flip_guard_deg ? deviation - period_deg : deviation;
}

void TdcWatch::take(const ReferenceEvent& event, bool cams_steady, std::vector<Finding>& out) {
  if (!is_lock(event.state) || !engine_.reference) {
    return;
  }
  ++pulses_seen_;
  cycles_without_ = 0;
  last_pulse_ns_ = event.t_ns;
  if (open_missing_) {
    out.push_back(closed(*open_missing_, event.t_ns));
    open_missing_.reset();
  }
  if (engine_.reference->advance_from.empty() && event.uncertainty_deg <= uncertainty_most_deg) {
    last_deg_ = deviation_deg(event, engine_.reference->advance_deg);
    take(event, engine_.reference->advance_deg, cams_steady, out);
  }
}

void TdcWatch::take(const ReferenceEvent& event, double advance_deg, bool cams_steady, std::vector<Finding>& out) {
  if (event.uncertainty_deg > uncertainty_most_deg) {
    return;  // speed changes so much between the teeth around it that the reading says nothing
  }
  const double deviation = deviation_deg(event, advance_deg);
  second_.push_back(deviation);
  changes_.take(event, deviation, cams_steady, out);
  const auto hold = static_cast<std::size_t>(engine_.limits.hold_cycles);
  window_.push_back({deviation, event.uncertainty_deg});
  if (window_.size() > hold) {
    window_.pop_front();
  }
  if (!beyond(engine_.limits.tdc_warning_deg, deviation)) {
    over_since_ns_ = 0;
  } else if (over_since_ns_ == 0) {
    over_since_ns_ = event.t_ns;
  }
  if (window_.size() < hold || (!open_ && all_within())) {
    return;
  }
  std::vector<double> deviations;
  for (const Reading& reading : window_) {
    deviations.push_back(reading.deviation_deg);
  }
  const RobustMean mean = robust_mean(deviations);
  // While it is still moving, the window holds old and new readings and its mean is neither.
  const bool settled = mean.spread < std::max(engine_.limits.tdc_warning_deg, std::fabs(mean.mean)) / 2;
  if (settled && beyond(engine_.limits.tdc_warning_deg, mean.mean)) {
    open_or_raise(mean.mean, mean.spread, event, cams_steady, out);
  } else if (open_ && std::fabs(mean.mean) < engine_.limits.tdc_warning_deg * engine_.limits.hysteresis) {
    close(event, mean.mean, out);
  }
}

// Whether no mean of the readings can be beyond the warning limit.
bool TdcWatch::all_within() const {
  constexpr double rounding = 1e-9;
  const double limit_deg = engine_.limits.tdc_warning_deg * (1 - rounding);
  return std::all_of(window_.begin(), window_.end(),
                     [&](const Reading& reading) { return std::fabs(reading.deviation_deg) <= limit_deg; });
}

// The same ripple carries all readings off the same way, so it is not averaged away.
double TdcWatch::usual_uncertainty_deg() const {
  std::vector<double> all;
  for (const Reading& reading : window_) {
    all.push_back(reading.uncertainty_deg);
  }
  return median(all);
}

// Whether a deviation is beyond this limit, widened by what the readings are unsure of: an uncertainty of less than half
// the warning limit goes unnoticed beside it.
bool TdcWatch::beyond(double limit_deg, double deviation_deg) const {
  const double magnitude_deg = std::fabs(deviation_deg);
  return magnitude_deg > limit_deg &&  // mostly it is not, and a median is dear
         magnitude_deg > limit_deg + std::max(0.0, usual_uncertainty_deg() - engine_.limits.tdc_warning_deg / 2);
}

void TdcWatch::open_or_raise(double mean_deg, double spread_deg, const ReferenceEvent& event, bool cams_steady,
                             std::vector<Finding>& out) {
  const bool fault = beyond(engine_.limits.tdc_fault_deg, mean_deg);
  if (open_ && (open_->severity == Severity::fault || !fault)) {
    return;
  }
  Finding finding;
  const bool cams_tell = !engine_.cams.empty() && cams_steady && event.state == LockState::cycle_locked;
  apply(attribute(FindingKind::tdc_deviation, cams_tell ? Circumstance::cams_steady : Circumstance::no_cam_watched),
        FindingKind::tdc_deviation, finding);
  finding.severity = fault ? Severity::fault : Severity::warning;
  finding.id = open_ ? open_->id : next_id_++;
  finding.phase = FindingPhase::open;
  finding.start_ns = open_ ? open_->start_ns : (over_since_ns_ != 0 ? over_since_ns_ : event.t_ns);
  finding.end_ns = event.t_ns;
  finding.cycle = event.cycle;
  finding.angle_deg = event.angle_deg;
  finding.channel = engine_.reference->channel;
  finding.rpm = event.rpm;
  finding.values.emplace_back("deviation_deg", mean_deg);
  finding.values.emplace_back("spread_deg", spread_deg);
  finding.values.emplace_back("uncertainty_deg", usual_uncertainty_deg());
  if (engine_.crank.offset_basis == OffsetBasis::unverified) {
    finding.reason += " (the offset in the engine file is unverified: this says only that ECU and file disagree)";
  }
  if (engine_.reference->period_deg < engine_.cycle_deg || event.state != LockState::cycle_locked) {
    finding.reason += " (judged modulo 360 degrees: compression stroke not verified)";
  }
  open_ = finding;
  out.push_back(std::move(finding));
}

void TdcWatch::close(const ReferenceEvent& event, double mean_deg, std::vector<Finding>& out) {
  Finding closing = closed(*open_, event.t_ns);
  closing.values.assign({{"deviation_deg", mean_deg}});
  out.push_back(std::move(closing));
  open_.reset();
}

void TdcWatch::take(const CycleEvent& event, std::vector<Finding>& out) {
  if (!engine_.reference || pulses_seen_ < engine_.limits.hold_cycles) {
    return;
  }
  ++cycles_without_;
  if (cycles_without_ == missing_cycles && !open_missing_) {
    Finding finding;
    apply(attribute(FindingKind::reference_missing, Circumstance::any), FindingKind::reference_missing, finding);
    finding.id = next_id_++;
    finding.phase = FindingPhase::open;
    finding.start_ns = last_pulse_ns_;
    finding.end_ns = event.tdc_ns;
    finding.cycle = event.number;
    finding.channel = engine_.reference->channel;
    finding.rpm = event.rpm;
    open_missing_ = finding;
    out.push_back(std::move(finding));
  }
}

void TdcWatch::break_off() {
  window_.clear();
  changes_.break_off();
  last_deg_.reset();
  cycles_without_ = 0;
}

std::optional<double> TdcWatch::take_last_deviation() {
  return std::exchange(last_deg_, std::nullopt);
}

std::vector<double> TdcWatch::take_second() {
  return std::exchange(second_, {});
}

}  // namespace cw
