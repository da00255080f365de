#include "compare/ecu_cam_watch.hpp"

#include <algorithm>

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;
constexpr std::int64_t travel_ns = 2'000 * ns_per_ms;  // so long a target has stood before the cam must be there

std::int64_t ns_of_ms(double ms) {
  return static_cast<std::int64_t>(ms * ns_per_ms);
}

}  // namespace

EcuCamWatch::EcuCamWatch(const Engine& engine, std::uint64_t& next_id)
    : engine_(engine), next_id_(next_id), cams_(engine.cams.size()) {}

void EcuCamWatch::tick(std::int64_t now_ns, const EcuValues& values,
                       const std::vector<std::optional<double>>& phases_deg, const WitnessPast& past,
                       std::vector<Finding>& out) {
  const Limits& limits = engine_.limits;
  const WitnessSample& witness = past.newest();
  const double rpm = witness.rpm.value_or(0);
  const bool running = witness.heard && witness.state == LockState::cycle_locked && rpm >= limits.running_rpm;
  const std::int64_t stale_ns = ns_of_ms(limits.ecu_stale_ms);
  for (std::size_t i = 0; i < cams_.size() && i < phases_deg.size(); ++i) {
    Cam& cam = cams_[i];
    if (!running || !phases_deg[i]) {
      cam.angle.suspend();
      cam.target.suspend();
      cam.phase_deg.clear();
      continue;
    }
    cam.phase_deg.add(now_ns, *phases_deg[i]);
    // The phase is told once a cycle and of the cycle before.
    const std::int64_t back_ns = ns_of_ms(limits.ecu_latency_ms) + 4 * turn_ns(rpm);
    const auto said = values.young(SignalName::cam_angle, now_ns, stale_ns, i);
    const auto seen = cam.phase_deg.between(now_ns - back_ns, now_ns, back_ns);
    if (said && seen) {
      judge_one(i, false, {said->value, *seen}, now_ns, rpm, out);
    }
    const auto wanted = values.young(SignalName::cam_target, now_ns, stale_ns, i);
    if (!wanted) {
      cam.target_deg.clear();
      cam.target.suspend();
      continue;
    }
    cam.target_deg.add(now_ns, wanted->value);
    const auto stood = cam.target_deg.between(now_ns - travel_ns, now_ns, travel_ns);
    const bool steady = stood && stood->oldest_ns <= now_ns - travel_ns && stood->greatest - stood->least <= 1;
    if (steady && seen) {
      judge_one(i, true, {wanted->value, *seen}, now_ns, rpm, out);
    } else {
      cam.target.suspend();
    }
  }
}

void EcuCamWatch::judge_one(std::size_t index, bool target, const Reading& reading, std::int64_t now_ns, double rpm,
                            std::vector<Finding>& out) {
  Cam& cam = cams_[index];
  compared_ = true;
  HeldCondition& condition = target ? cam.target : cam.angle;
  std::optional<Finding>& told = target ? cam.told_target : cam.told_angle;
  const double off_deg =
      std::max({reading.seen_deg.least - reading.said_deg, reading.said_deg - reading.seen_deg.greatest, 0.0});
  const double limit_deg = target ? engine_.limits.cam_target_deg : engine_.limits.ecu_cam_deg;
  const HeldCondition::News news = condition.take(judge(off_deg, limit_deg, engine_.limits.hysteresis), now_ns,
                                                  ns_of_ms(engine_.limits.ecu_hold_ms));
  if (news == HeldCondition::News::closed && told) {
    out.push_back(closed(*std::exchange(told, std::nullopt), now_ns));
  }
  if (news != HeldCondition::News::opened) {
    return;
  }
  const FindingKind kind = target ? FindingKind::cam_off_target : FindingKind::ecu_cam_disagrees;
  const double seen_deg = (reading.seen_deg.least + reading.seen_deg.greatest) / 2;
  Finding finding;
  apply(attribute(kind, Circumstance::any), kind, finding);
  finding.id = next_id_++;
  finding.phase = FindingPhase::open;
  finding.clock = "host";
  finding.start_ns = condition.since_ns();
  finding.end_ns = now_ns;
  finding.channel = engine_.cams[index].name;
  finding.rpm = rpm;
  finding.values.emplace_back(target ? "target_deg" : "ecu_cam_deg", reading.said_deg);
  finding.values.emplace_back("cam_deg", seen_deg);
  finding.values.emplace_back("deviation_deg", seen_deg - reading.said_deg);
  told = finding;
  out.push_back(std::move(finding));
}

bool EcuCamWatch::open() const {
  return std::ranges::any_of(cams_, [](const Cam& cam) { return cam.angle.open(); });
}

}  // namespace cw
