#include "compare/ecu_advance_watch.hpp"

#include <algorithm>
#include <cmath>

#include "compare/attribution.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;
constexpr std::int64_t settle_ns = 100 * ns_per_ms;
constexpr double uncertainty_most_deg = 10;

std::int64_t ns_of_ms(double ms) {
  return static_cast<std::int64_t>(ms * ns_per_ms);
}

}  // namespace

void AdvancePairing::note_pulse(const ReferenceEvent& pulse, std::int64_t host_ns) {
  pulses_.push({pulse, host_ns, cut(host_ns)});
}

std::optional<AdvancePairing::Pair> AdvancePairing::next(std::int64_t now_ns) {
  const std::int64_t latency_ns = ns_of_ms(engine_.limits.ecu_latency_ms);
  while (!pulses_.empty() && now_ns - pulses_.front().host_ns >= latency_ns + settle_ns) {
    const Pulse pulse = pulses_.front();
    pulses_.pop();
    const auto said =
        advance_.between(pulse.host_ns - settle_ns, pulse.host_ns + latency_ns, ns_of_ms(engine_.limits.ecu_stale_ms));
    const bool steady = said && said->greatest - said->least <= engine_.limits.ecu_advance_deg / 2;
    // A cut that was said after the pulse may have been on before it.
    if (steady && !pulse.in_cut && cut_until_ns_ - after_cut_ns < pulse.host_ns - settle_ns &&
        pulse.event.uncertainty_deg <= uncertainty_most_deg) {
      return Pair{pulse.event, pulse.host_ns, said->least, said->greatest};
    }
  }
  return std::nullopt;
}

void AdvancePairing::break_off() {
  advance_.clear();
  pulses_.clear();
}

void EcuAdvanceWatch::take(const AdvancePairing::Pair& pair, std::vector<Finding>& out) {
  const double period_deg = pair.pulse.state == LockState::cycle_locked
                                ? engine_.reference->period_deg
                                : std::min(engine_.reference->period_deg, deg_per_rev);
  const double middle_deg = (pair.least_deg + pair.greatest_deg) / 2;
  const double deviation_deg = wrap_signed_deg(pair.pulse.angle_deg + middle_deg, period_deg);
  const double off_deg = std::max(
      std::fabs(deviation_deg) - (pair.greatest_deg - pair.least_deg) / 2 - pair.pulse.uncertainty_deg / 2, 0.0);
  compared_ = true;
  const Judgement judgement = judge(off_deg, engine_.limits.ecu_advance_deg, engine_.limits.hysteresis);
  if (judgement != Judgement::beyond) {
    sum_deg_ = 0;
    count_ = 0;
  } else {
    sum_deg_ += deviation_deg;
    ++count_;
  }
  const HeldCondition::News news = condition_.take(judgement, pair.host_ns, ns_of_ms(engine_.limits.ecu_hold_ms));
  if (news == HeldCondition::News::closed && told_) {
    out.push_back(closed(*std::exchange(told_, std::nullopt), pair.host_ns));
  }
  if (news != HeldCondition::News::opened) {
    return;
  }
  Finding finding;
  apply(attribute(FindingKind::ecu_advance_disagrees, Circumstance::any), FindingKind::ecu_advance_disagrees, finding);
  finding.id = next_id_++;
  finding.phase = FindingPhase::open;
  finding.clock = "host";
  finding.start_ns = condition_.since_ns();
  finding.end_ns = pair.host_ns;
  finding.cycle = pair.pulse.cycle;
  finding.channel = engine_.reference->channel;
  finding.rpm = pair.pulse.rpm;
  finding.values.emplace_back("ecu_advance_deg", middle_deg);
  finding.values.emplace_back("spark_advance_deg", -wrap_signed_deg(pair.pulse.angle_deg, period_deg));
  finding.values.emplace_back("deviation_deg", sum_deg_ / std::max(count_, 1));
  told_ = finding;
  out.push_back(std::move(finding));
}

}  // namespace cw
