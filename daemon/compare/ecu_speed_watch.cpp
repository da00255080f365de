#include "compare/ecu_speed_watch.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <string>
#include <utility>

#include "compare/attribution.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;
constexpr std::int64_t settle_ns = 150 * ns_per_ms;  // until edges of that time have come too, by whatever link
constexpr std::int64_t ahead_ns = 50 * ns_per_ms;    // what clocks and links may put the ECU's word too early
constexpr double steady_share = 0.01;                // a ratio is taken where the speed of the cycles varied by less
constexpr double swing_share = 0.3;                  // firing shakes the speed within a cycle by less, but for cranking
constexpr int averaged_readings = 20;
constexpr double ratio_agreement = 0.005;
constexpr int ratio_readings = 10;  // of a speed before it counts

}  // namespace

void SpeedRatio::add(double witness_rpm, double ecu_rpm) {
  constexpr double first_rpm = 100;
  constexpr double bins_an_octave = 3;
  const double at = std::log2(std::max(witness_rpm, first_rpm) / first_rpm) * bins_an_octave;
  Bin& bin = bins_.at(std::min(static_cast<std::size_t>(at), bins - 1));
  constexpr int count_max = 1000;
  bin.count = std::min(bin.count + 1, count_max);
  bin.rpm += (witness_rpm - bin.rpm) / bin.count;
  bin.ratio += (ecu_rpm / witness_rpm - bin.ratio) / bin.count;
}

std::optional<SpeedRatio::Found> SpeedRatio::steady() const {
  Found found;
  double least = 0;
  double greatest = 0;
  double sum = 0;
  int used = 0;
  for (const Bin& bin : bins_) {
    if (bin.count < ratio_readings) {
      continue;
    }
    found.rpm_least = used == 0 ? bin.rpm : std::min(found.rpm_least, bin.rpm);
    found.rpm_greatest = std::max(found.rpm_greatest, bin.rpm);
    least = used == 0 ? bin.ratio : std::min(least, bin.ratio);
    greatest = std::max(greatest, bin.ratio);
    sum += bin.ratio;
    ++used;
  }
  constexpr double speeds_apart = 1.5;
  if (used < 2 || found.rpm_greatest < speeds_apart * found.rpm_least || least <= 0 ||
      greatest - least > ratio_agreement * least) {
    return std::nullopt;
  }
  found.ratio = sum / used;
  return found;
}

std::optional<int> counted_teeth(int positions, double ratio) {
  if (ratio <= 0 || positions < 1) {
    return std::nullopt;
  }
  constexpr double teeth_max = 1000;
  const double teeth = positions / ratio;
  const double whole = std::round(teeth);
  if (whole < 1 || teeth > teeth_max || static_cast<int>(whole) == positions ||
      std::fabs(teeth - whole) > std::min(ratio_agreement * teeth, 0.25)) {
    return std::nullopt;
  }
  return static_cast<int>(whole);
}

void EcuSpeedWatch::take(const EcuValue& speed, bool ecu_may_lack_sync) {
  constexpr std::int64_t step_ns = 10 * ns_per_ms;
  if (!said_.empty() && speed.host_ns - said_.back().host_ns < step_ns && said_.back().in_sync != ecu_may_lack_sync) {
    return;
  }
  said_.push({speed.host_ns, speed.value, speed.greatest, !ecu_may_lack_sync});
}

void EcuSpeedWatch::tick(std::int64_t now_ns, const WitnessPast& past, std::vector<Finding>& out) {
  while (!said_.empty() && now_ns - said_.front().host_ns >= settle_ns) {
    compare(said_.front(), past, out);
    said_.pop();
  }
}

void EcuSpeedWatch::compare(const Said& said, const WitnessPast& past, std::vector<Finding>& out) {
  const Limits& limits = engine_.limits;
  const double guess_rpm = std::max(past.newest().rpm.value_or(limits.running_rpm), 1.0);
  const std::int64_t back_ns = static_cast<std::int64_t>(limits.ecu_latency_ms * ns_per_ms) + turn_ns(guess_rpm);
  const WitnessLook look = past.between(said.host_ns - back_ns, said.host_ns + ahead_ns);
  constexpr double standing_rpm = 1;
  const bool not_yet = said.rpm < standing_rpm && look.rpm_greatest < limits.running_rpm;  // cranking: it has none yet
  const bool may_be_more = said.greatest && look.rpm_greatest >= said.rpm;
  const bool can_compare =
      said.in_sync && look.heard && look.locked && look.rpm_greatest > 0 && !not_yet && !may_be_more;
  const auto pause_max_ns = static_cast<std::int64_t>((limits.ecu_hold_ms + limits.ecu_stale_ms) * ns_per_ms);
  if (!can_compare || said.host_ns - compared_ns_ > pause_max_ns) {
    condition_.suspend();  // what was off before was not off throughout
    readings_ = 0;
  }
  if (!can_compare) {
    return;
  }
  compared_ns_ = said.host_ns;
  compared_ = true;
  const double middle_rpm = (look.rpm_least + look.rpm_greatest) / 2;
  const double off_rpm = std::max({look.rpm_least - said.rpm, said.rpm - look.rpm_greatest, 0.0});
  const double limit_rpm = std::max(limits.ecu_speed_rpm, limits.ecu_speed_pct / 100 * middle_rpm);
  const std::optional<Steady> steady = steady_readings(said, back_ns, look);
  const double within_rpm = limit_rpm * limits.hysteresis;
  const auto off = [&](double least_rpm) {
    // Speed sampled within the cycles shakes by more than a wrong tooth count makes, an average does not.
    const bool on_average = steady && std::fabs(steady->off_rpm()) > least_rpm &&
                            std::fabs(said.rpm - steady->mean_rpm) > within_rpm &&
                            (steady->said_rpm < look.rpm_least || steady->said_rpm > look.rpm_greatest);
    return off_rpm > least_rpm || on_average;
  };
  // What has begun goes on above the hysteresis: one reading in which speed happened to change does not undo it.
  const Judgement judgement = off(condition_.counting() && !condition_.open() ? within_rpm : limit_rpm)
                                  ? Judgement::beyond
                              : steady && std::fabs(steady->off_rpm()) < within_rpm ? Judgement::within
                                                                                    : Judgement::between;
  const auto hold_ns = static_cast<std::int64_t>(limits.ecu_hold_ms * ns_per_ms);
  const HeldCondition::News news = condition_.take(judgement, said.host_ns, hold_ns);
  if (news == HeldCondition::News::closed) {
    out.push_back(closed(*std::exchange(told_, std::nullopt), said.host_ns));
    ratio_.clear();
    ratio_told_ = false;
  } else if (news == HeldCondition::News::opened || (told_ && !ratio_told_ && ratio_.steady())) {
    tell(said, middle_rpm, out);
  }
}

std::optional<EcuSpeedWatch::Steady> EcuSpeedWatch::steady_readings(const Said& said, std::int64_t back_ns,
                                                                    const WitnessLook& look) {
  const auto mean = cycles_.between(said.host_ns - back_ns, said.host_ns + ahead_ns, 2 * back_ns);
  // A cycle is known only when it is over, so that the teeth must not tell of a change yet either.
  const bool changes = look.rpm_greatest - look.rpm_least > swing_share * look.rpm_greatest;
  if (!mean || mean->count < 2 || changes || mean->greatest - mean->least > steady_share * mean->least) {
    readings_ = 0;
    return std::nullopt;
  }
  const double mean_rpm = (mean->least + mean->greatest) / 2;
  readings_ = std::min(readings_ + 1, averaged_readings);
  const double share = said.rpm / mean_rpm - 1;
  off_share_ = readings_ == 1 ? share : off_share_ + (share - off_share_) / readings_;
  if (told_) {
    ratio_.add(mean_rpm, said.rpm);
  }
  return readings_ < averaged_readings ? std::nullopt : std::optional(Steady{mean_rpm * (1 + off_share_), mean_rpm});
}

// Told again, with the same id, when the ratio has turned out to be steady.
void EcuSpeedWatch::tell(const Said& said, double witness_rpm, std::vector<Finding>& out) {
  const std::optional<SpeedRatio::Found> found = ratio_.steady();
  Finding finding;
  apply(attribute(FindingKind::ecu_speed_disagrees, found ? Circumstance::ratio_steady : Circumstance::any),
        FindingKind::ecu_speed_disagrees, finding);
  finding.id = told_ ? told_->id : next_id_++;
  finding.phase = FindingPhase::open;
  finding.clock = "host";
  finding.start_ns = told_ ? told_->start_ns : condition_.since_ns();
  finding.end_ns = said.host_ns;
  finding.rpm = witness_rpm;
  finding.values.emplace_back("ecu_rpm", said.rpm);
  finding.values.emplace_back("witness_rpm", witness_rpm);
  finding.values.emplace_back("ratio", found ? found->ratio : said.rpm / witness_rpm);
  if (found) {
    add_ratio(*found, finding);
  }
  ratio_told_ = found.has_value();
  told_ = finding;
  out.push_back(std::move(finding));
}

void EcuSpeedWatch::add_ratio(const SpeedRatio::Found& found, Finding& finding) const {
  finding.values.emplace_back("from_rpm", found.rpm_least);
  finding.values.emplace_back("to_rpm", found.rpm_greatest);
  const auto of_turn = static_cast<int>(std::lround(engine_.crank.positions * 360 / engine_.crank.period_deg));
  if (const std::optional<int> counted = counted_teeth(of_turn, found.ratio)) {
    finding.values.emplace_back("counted_teeth", *counted);
    finding.reason += "; as if " + std::to_string(of_turn) + " places of the wheel were counted as " +
                      std::to_string(*counted) + " to a turn";
  }
}

void EcuSpeedWatch::break_off() {
  said_.clear();
  cycles_.clear();
  readings_ = 0;
  condition_.suspend();
}

}  // namespace cw
