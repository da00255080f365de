#include <algorithm>
#include <array>
#include <cmath>

#include "campaign/judge.hpp"
#include "campaign/truth_view.hpp"
#include "geometry/angle.hpp"

namespace cw::campaign {

std::string_view to_string(TdcClass value) {
  constexpr std::array<std::string_view, tdc_classes> names = {
      "running, 24 teeth or more",  "running, fewer teeth",  "above 9,000 rpm",
      "cranking, 24 teeth or more", "cranking, fewer teeth", "within a cycle of a crank fault"};
  return names.at(static_cast<std::size_t>(value));
}

double floor_deg(const sim::Scenario& scenario, double rpm) {
  constexpr double edges_averaged = 6;
  constexpr double two_sided_95 = 1.96;
  constexpr double us_per_ns = 1e-3;
  const double deg_per_us = deg_per_s_per_rpm * rpm * 1e-6;
  const double jitter_deg = deg_per_us * scenario.crank.noise.jitter_ns * us_per_ns;
  const double tick_deg = scenario.tick_ns > 1 ? deg_per_us * static_cast<double>(scenario.tick_ns) * us_per_ns : 0.0;
  const double pitch_sd_deg = scenario.crank.pitch_error_sd_deg;
  const double variance = jitter_deg * jitter_deg + tick_deg * tick_deg / 12 + pitch_sd_deg * pitch_sd_deg;
  return tick_deg / 2 + two_sided_95 * std::sqrt(variance / edges_averaged);
}

namespace {

bool on_crank_wire(sim::FaultKind kind) {
  return kind == sim::FaultKind::extra_edge || kind == sim::FaultKind::noise_burst ||
         kind == sim::FaultKind::missed_edge || kind == sim::FaultKind::crank_signal_stopped ||
         kind == sim::FaultKind::crank_wheel_step;
}

std::vector<Span> disturbed_spans(const Case& drawn, const sim::Truth& truth) {
  std::vector<Span> spans;
  for (const sim::Fault& fault : drawn.scenario.faults) {
    const auto entries = entries_of(truth, fault.kind);
    if (!on_crank_wire(fault.kind) || entries.empty()) {
      continue;
    }
    Span span = span_of(fault, entries, truth);
    if (fault.kind == sim::FaultKind::crank_wheel_step) {
      span.to_ns = span.from_ns;  // the slip itself; the wheel is sound again after it
    }
    spans.push_back({span.from_ns - cycle_ns(truth, span.from_ns), span.to_ns + cycle_ns(truth, span.to_ns)});
  }
  return spans;
}

TdcClass class_of(double rpm, bool many_teeth) {
  constexpr double cranking_rpm_max = 500;
  constexpr double running_rpm_max = 9000;
  if (rpm > running_rpm_max) {
    return TdcClass::fast;
  }
  if (rpm > cranking_rpm_max) {
    return many_teeth ? TdcClass::running : TdcClass::running_few_teeth;
  }
  return many_teeth ? TdcClass::cranking : TdcClass::cranking_few_teeth;
}

}  // namespace

void judge_tdc(const Case& drawn, const sim::Simulation& simulation, const Observed& observed, Verdict& verdict) {
  const sim::Truth& truth = simulation.truth;
  const std::vector<Span> disturbed = disturbed_spans(drawn, truth);
  const double half_pitch_deg = 0.5 * pitch_deg(drawn.engine);
  const bool many_teeth = drawn.engine.crank.positions >= 24;
  for (const Cycle& cycle : observed.cycles) {
    const bool full = cycle.state == LockState::cycle_locked;
    if (!full && cycle.state != LockState::revolution_locked) {
      continue;
    }
    ++verdict.cycles;
    const sim::CrankPosition position = sim::position_at(truth, cycle.tdc_ns);
    const double error_deg = wrap_signed_deg(position.wheel_deg, full ? truth.cycle_deg : deg_per_rev);
    if (std::fabs(error_deg) > half_pitch_deg) {
      continue;  // a false lock, judged as one
    }
    const bool near = std::any_of(disturbed.begin(), disturbed.end(), [&](const Span& span) {
      return cycle.tdc_ns >= span.from_ns && cycle.tdc_ns <= span.to_ns;
    });
    TdcReading reading;
    reading.where = near ? TdcClass::near_fault : class_of(position.rpm, many_teeth);
    reading.error_deg = error_deg;
    reading.floor_deg = floor_deg(drawn.scenario, position.rpm);
    reading.stated_deg = cycle.uncertainty_deg;
    verdict.tdc.push_back(reading);
  }
}

}  // namespace cw::campaign
