#include "compare/ecu_cam_watch.hpp"

#include <algorithm>
#include <numbers>

#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"
#include "sync/speed_model.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;
constexpr std::int64_t clock_ns = 50 * ns_per_ms;      // what the clocks of edges and frames may be off
constexpr std::int64_t travel_ns = 2'000 * ns_per_ms;  // so long a target has stood before the cam must be there

std::int64_t ns_of_ms(double ms) {
  return static_cast<std::int64_t>(ms * ns_per_ms);
}

// So little goes unnoticed beside the limit.
double beyond_notice(double unseen_deg) {
  constexpr double unnoticed_deg = 0.5;
  return std::max(0.0, unseen_deg - unnoticed_deg);
}

}  // namespace

double blind_step_deg(const Engine& engine, std::size_t cam) {
  const ToothCycle cycle = tooth_cycle(engine);
  const CamPattern& pattern = engine.cams[cam];
  const double least_deg = pattern.phaser_min_deg - pattern.tolerance_deg;
  const double travel_deg = pattern.phaser_max_deg + pattern.tolerance_deg - least_deg;
  double longest_deg = 0;
  for (const CamEdge& edge : pattern.edges) {
    for (const CycleTooth& tooth : cycle.teeth) {
      // From the tooth on to where the edge can stand first, and whether one of the two lies within the other's reach.
      const double to_first_deg = wrap_deg(edge.angle_deg + least_deg - tooth.crank_deg, cycle.cycle_deg);
      const bool reached = to_first_deg < tooth.step_deg || to_first_deg + travel_deg > cycle.cycle_deg;
      longest_deg = reached ? std::max(longest_deg, tooth.step_deg) : longest_deg;
    }
  }
  return longest_deg;
}

double unseen_by_ecu_deg(double step_deg, double rpm) {
  const double step_rad = step_deg / deg_per_rev * 2 * std::numbers::pi;
  return step_deg * std::min(speed_swing(rpm), speed_scatter_per_rad(rpm) * step_rad);
}

EcuCamWatch::EcuCamWatch(const Engine& engine, std::uint64_t& next_id)
    : engine_(engine), next_id_(next_id), cams_(engine.cams.size()) {
  for (std::size_t i = 0; i < cams_.size(); ++i) {
    cams_[i].blind_step_deg = blind_step_deg(engine, i);
  }
}

// What is said may be so old, and of an edge a cycle before that; a phase is the mean of a cycle.
std::int64_t EcuCamWatch::back_ns(double rpm) const {
  return ns_of_ms(engine_.limits.ecu_latency_ms) + 4 * turn_ns(rpm);
}

std::int64_t EcuCamWatch::stale_ns() const {
  return ns_of_ms(engine_.limits.ecu_stale_ms);
}

void EcuCamWatch::note_phase(std::size_t cam, std::int64_t host_ns, double phase_deg) {
  cams_[cam].phase_deg.add(host_ns, phase_deg);
}

void EcuCamWatch::break_off() {
  for (Cam& cam : cams_) {
    cam.phase_deg.clear();
    cam.said.clear();
    cam.angle.suspend();
    cam.target.suspend();
  }
}

void EcuCamWatch::tick(std::int64_t now_ns, const EcuValues& values, const WitnessPast& past,
                       std::vector<Finding>& out) {
  const WitnessSample& witness = past.newest();
  const double rpm = witness.rpm.value_or(0);
  if (!witness.heard || witness.state != LockState::cycle_locked || rpm < engine_.limits.running_rpm) {
    break_off();
    return;
  }
  for (std::size_t i = 0; i < cams_.size(); ++i) {
    Cam& cam = cams_[i];
    const auto said = values.young(SignalName::cam_angle, now_ns, stale_ns(), i);
    if (said && said->host_ns > cam.taken_ns) {
      cam.taken_ns = said->host_ns;
      cam.said.push({said->host_ns, said->value});
    }
    compare_angles(i, rpm, out);
    compare_target(i, values, now_ns, rpm, out);
  }
}

void EcuCamWatch::compare_angles(std::size_t index, double rpm, std::vector<Finding>& out) {
  Cam& cam = cams_[index];
  const double limit_deg = engine_.limits.ecu_cam_deg + beyond_notice(unseen_by_ecu_deg(cam.blind_step_deg, rpm));
  while (!cam.said.empty() && !cam.phase_deg.empty() &&
         cam.phase_deg.newest().t_ns > cam.said.front().host_ns + clock_ns) {
    const Said said = cam.said.front();
    cam.said.pop();
    if (said.host_ns - cam.judged_ns > ns_of_ms(engine_.limits.ecu_hold_ms) + stale_ns()) {
      cam.angle.suspend();  // what was said before that pause says nothing of it
    }
    cam.judged_ns = said.host_ns;
    const std::int64_t back = back_ns(rpm);
    if (const auto seen = cam.phase_deg.between(said.host_ns - back, said.host_ns + back, back)) {
      judge_one(index, false, {said.deg, *seen, limit_deg}, said.host_ns, rpm, out);
    }
  }
}

void EcuCamWatch::compare_target(std::size_t index, const EcuValues& values, std::int64_t now_ns, double rpm,
                                 std::vector<Finding>& out) {
  Cam& cam = cams_[index];
  const auto wanted = values.young(SignalName::cam_target, now_ns, stale_ns(), index);
  if (!wanted) {
    cam.target_deg.clear();
    cam.target.suspend();
    return;
  }
  cam.target_deg.add(now_ns, wanted->value);
  const auto stood = cam.target_deg.between(now_ns - travel_ns, now_ns, travel_ns);
  const bool steady = stood && stood->oldest_ns <= now_ns - travel_ns && stood->greatest - stood->least <= 1;
  const auto seen = cam.phase_deg.between(now_ns - back_ns(rpm), now_ns, back_ns(rpm));
  if (steady && seen) {
    judge_one(index, true, {wanted->value, *seen, engine_.limits.cam_target_deg}, now_ns, rpm, out);
  } else {
    cam.target.suspend();
  }
}

void EcuCamWatch::judge_one(std::size_t index, bool target, const Reading& reading, std::int64_t t_ns, double rpm,
                            std::vector<Finding>& out) {
  Cam& cam = cams_[index];
  compared_ = true;
  HeldCondition& condition = target ? cam.target : cam.angle;
  std::optional<Finding>& told = target ? cam.told_target : cam.told_angle;
  const double off_deg =
      std::max({reading.seen_deg.least - reading.said_deg, reading.said_deg - reading.seen_deg.greatest, 0.0});
  const HeldCondition::News news = condition.take(judge(off_deg, reading.limit_deg, engine_.limits.hysteresis), t_ns,
                                                  ns_of_ms(engine_.limits.ecu_hold_ms));
  if (news == HeldCondition::News::closed && told) {
    out.push_back(closed(*std::exchange(told, std::nullopt), t_ns));
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
  finding.end_ns = t_ns;
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
