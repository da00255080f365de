#include "campaign/truth_view.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"

namespace cw::campaign {

namespace {

constexpr double ns_per_s = 1e9;

// Neighbouring samples for which `counts(move in degrees)` holds, put together.
template <class Counts>
std::vector<Span> spans_where(const sim::Truth& truth, Counts counts) {
  std::vector<Span> spans;
  for (std::size_t i = 0; i + 1 < truth.samples.size(); ++i) {
    const sim::TruthSample& a = truth.samples[i];
    const sim::TruthSample& b = truth.samples[i + 1];
    if (b.t_ns == a.t_ns || !counts(b.crank_deg - a.crank_deg)) {
      continue;
    }
    if (!spans.empty() && spans.back().to_ns == a.t_ns) {
      spans.back().to_ns = b.t_ns;
    } else {
      spans.push_back({a.t_ns, b.t_ns});
    }
  }
  return spans;
}

}  // namespace

std::int64_t cycle_ns(const sim::Truth& truth, std::int64_t t_ns) {
  constexpr double slowest_rpm = 30;
  const double rpm = std::max(std::fabs(sim::position_at(truth, t_ns).rpm), slowest_rpm);
  return std::llround(truth.cycle_deg / (deg_per_s_per_rpm * rpm) * ns_per_s);
}

double turned_deg(const sim::Truth& truth, std::int64_t t_ns) {
  const auto after = std::lower_bound(truth.samples.begin(), truth.samples.end(), t_ns,
                                      [](const sim::TruthSample& sample, std::int64_t t) { return sample.t_ns < t; });
  if (after == truth.samples.begin() || after == truth.samples.end()) {
    return truth.samples.empty() ? 0 : (after == truth.samples.end() ? truth.samples.back() : *after).crank_deg;
  }
  const sim::TruthSample& a = *(after - 1);
  const double share =
      static_cast<double>(t_ns - a.t_ns) / static_cast<double>(std::max<std::int64_t>(after->t_ns - a.t_ns, 1));
  return a.crank_deg + share * (after->crank_deg - a.crank_deg);
}

std::int64_t time_of_deg(const sim::Truth& truth, double crank_deg) {
  const auto at = std::find_if(truth.samples.begin(), truth.samples.end(),
                               [crank_deg](const sim::TruthSample& sample) { return sample.crank_deg >= crank_deg; });
  return at == truth.samples.end() ? std::llround(truth.end_s * ns_per_s) : at->t_ns;
}

bool begins_near(const sim::Truth& truth, const Span& span, double cycles_after, std::int64_t t_ns,
                 double cycles_before) {
  const double turned = turned_deg(truth, t_ns);
  return turned >= turned_deg(truth, span.from_ns) - cycles_before * truth.cycle_deg &&
         turned <= turned_deg(truth, span.to_ns) + cycles_after * truth.cycle_deg;
}

std::vector<Span> standing_spans(const sim::Truth& truth) {
  constexpr double still_deg = 1e-6;
  return spans_where(truth, [](double move_deg) { return std::fabs(move_deg) < still_deg; });
}

std::vector<Span> backward_spans(const sim::Truth& truth) {
  constexpr double still_deg = 1e-6;
  return spans_where(truth, [](double move_deg) { return move_deg <= -still_deg; });
}

std::vector<sim::TruthFault> entries_of(const sim::Truth& truth, sim::FaultKind kind) {
  std::vector<sim::TruthFault> entries;
  std::copy_if(truth.faults.begin(), truth.faults.end(), std::back_inserter(entries),
               [kind](const sim::TruthFault& entry) { return entry.kind == sim::to_string(kind); });
  return entries;
}

// Crank degrees over which a step builds up: a belt climbs over its teeth, a wheel slips, while the crank turns.
double climb_of(const sim::Fault& fault, const std::vector<sim::TruthFault>& entries, const sim::Truth& truth) {
  if (fault.kind == sim::FaultKind::cam_step) {
    constexpr double widest_climb_deg = 90;  // three teeth of the smallest gear drawn, half as much again
    return std::min(widest_climb_deg, 30.0 * std::fabs(entries.front().value));
  }
  return fault.kind == sim::FaultKind::crank_wheel_step && !truth.wheel_slips.empty()
             ? truth.wheel_slips.front().span_deg
             : 0.0;
}

Span span_of(const sim::Fault& fault, const std::vector<sim::TruthFault>& entries, const sim::Truth& truth) {
  Span span{entries.front().t_ns, entries.front().t_ns};
  for (const sim::TruthFault& entry : entries) {
    span.to_ns = std::max(span.to_ns, entry.end_ns.value_or(entry.t_ns));
  }
  const bool lasts = fault.kind == sim::FaultKind::crank_signal_stopped ||
                     fault.kind == sim::FaultKind::cam_signal_dead || fault.kind == sim::FaultKind::reference_error ||
                     fault.kind == sim::FaultKind::reference_delay;
  if (lasts && !fault.for_s) {
    span.to_ns = std::llround(truth.end_s * ns_per_s);
  }
  const double climb_deg = climb_of(fault, entries, truth);
  if (climb_deg > 0) {
    span.to_ns = time_of_deg(truth, turned_deg(truth, span.from_ns) + climb_deg);
  }
  return span;
}

double pitch_deg(const Engine& engine) {
  return engine.crank.period_deg / engine.crank.positions;
}

}  // namespace cw::campaign
