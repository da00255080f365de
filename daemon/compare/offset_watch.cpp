#include "compare/offset_watch.hpp"

#include <algorithm>
#include <cmath>

#include "compare/attribution.hpp"
#include "compare/offset_entry.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr double us_to_deg_at_1_rpm = deg_per_s_per_rpm * 1e-6;

bool tells(OffsetVerdict verdict) {
  return verdict == OffsetVerdict::angle || verdict == OffsetVerdict::delay ||
         verdict == OffsetVerdict::angle_and_delay || verdict == OffsetVerdict::dwell_edge;
}

Circumstance circumstance_of(const OffsetFit& fit, const std::optional<CountingError>& counting) {
  if (fit.verdict == OffsetVerdict::dwell_edge) {
    return Circumstance::dwell_edge;
  }
  if (counting) {
    return Circumstance::whole_steps;
  }
  return fit.verdict == OffsetVerdict::angle   ? Circumstance::angle_alone
         : fit.verdict == OffsetVerdict::delay ? Circumstance::delay_alone
                                               : Circumstance::any;
}

// Whether the new number lies within what was said, or the old one within what is said now.
bool agree(const Estimate& told, const Estimate& now, double nothing) {
  return std::fabs(told.value - now.value) <= std::max({told.half_width, now.half_width, nothing});
}

}  // namespace

void OffsetWatch::take(const Cycle& cycle, std::vector<Finding>& out) {
  if (!engine_.reference || !engine_.reference->advance_from.empty() || !cycles_.take(cycle)) {
    return;
  }
  fit_ = fit_offset(cycles_.holds());
  forget_what_no_longer_holds();
  if (!worth_telling()) {
    if (open_) {
      out.push_back(closed(*open_, cycle.tdc_ns));
      open_.reset();
    }
    return;
  }
  if (open_ && as_told()) {
    return;
  }
  Finding finding = finding_of(cycle);
  finding.id = open_ ? open_->id : next_id_++;
  told_ = fit_;
  open_ = finding;
  out.push_back(std::move(finding));
}

void OffsetWatch::forget_what_no_longer_holds() {
  const std::vector<Hold>& holds = cycles_.holds();
  if (holds.size() < 3 || fit_.residuals_deg.size() != holds.size()) {
    return;
  }
  constexpr double off_deg = 0.3;
  const std::size_t last = holds.size() - 1;
  const bool both_off = fit_.left_out[last] && fit_.left_out[last - 1] &&
                        std::fabs(fit_.residuals_deg[last]) > off_deg &&
                        std::fabs(fit_.residuals_deg[last - 1]) > off_deg;
  if (both_off || fit_.verdict == OffsetVerdict::no_line) {
    // With no line the last two tell what holds now, and more will come.
    cycles_.forget_before(holds[last - 1].start_ns);
    fit_ = fit_offset(cycles_.holds());
  }
}

bool OffsetWatch::worth_telling() const {
  if (!tells(fit_.verdict)) {
    return false;
  }
  const double limit_deg = engine_.limits.tdc_warning_deg * engine_.limits.hysteresis;
  const double delay_deg = us_to_deg_at_1_rpm * fit_.greatest_rpm * fit_.delay_us->value;
  const bool angle = fit_.verdict != OffsetVerdict::delay && std::fabs(fit_.offset_deg->value) > limit_deg;
  const bool delay = fit_.verdict != OffsetVerdict::angle && std::fabs(delay_deg) > limit_deg;
  return angle || delay;
}

bool OffsetWatch::as_told() const {
  return told_.verdict == fit_.verdict && agree(*told_.offset_deg, *fit_.offset_deg, angle_told_deg) &&
         agree(*told_.delay_us, *fit_.delay_us, delay_told_us);
}

Finding OffsetWatch::finding_of(const Cycle& cycle) const {
  Finding finding;
  const bool cycle_known = engine_.reference->period_deg >= engine_.cycle_deg && cycles_.cycle_known();
  const auto counting = counting_error(engine_, *fit_.offset_deg, cycle_known);
  apply(attribute(FindingKind::offset_and_delay, circumstance_of(fit_, counting)), FindingKind::offset_and_delay,
        finding);
  finding.phase = FindingPhase::open;
  finding.start_ns = open_ ? open_->start_ns : cycles_.holds().front().start_ns;
  finding.end_ns = cycle.tdc_ns;
  finding.cycle = cycle.number;
  finding.channel = engine_.reference->channel;
  finding.rpm = cycle.rpm;
  finding.values = {{"offset_deg", fit_.offset_deg->value}, {"offset_uncertainty_deg", fit_.offset_deg->half_width},
                    {"delay_us", fit_.delay_us->value},     {"delay_uncertainty_us", fit_.delay_us->half_width},
                    {"from_rpm", fit_.least_rpm},           {"to_rpm", fit_.greatest_rpm}};
  if (counting && counting->turns != 0) {
    finding.values.emplace_back("whole_turns", counting->turns);
  }
  if (counting && counting->teeth != 0) {
    finding.values.emplace_back("whole_teeth", counting->teeth);
  }
  if (engine_.crank.offset_basis == OffsetBasis::unverified) {
    finding.reason += " (the offset in the engine file is unverified: this says only that ECU and file disagree)";
  }
  if (!cycle_known) {
    finding.reason += " (judged modulo 360 degrees: compression stroke not verified)";
  }
  return finding;
}

}  // namespace cw
