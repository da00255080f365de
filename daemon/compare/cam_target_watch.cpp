#include "compare/cam_target_watch.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "compare/robust.hpp"

namespace cw {

namespace {

constexpr double s_per_ns = 1e-9;
constexpr double same_target_deg = 1;
constexpr double move_least_deg = 10;
constexpr double arrived_deg = 2;
constexpr std::size_t moves_kept = 64;
constexpr std::size_t usual_moves = 8;
constexpr double late_share = 2;
constexpr double late_s = 0.5;
constexpr int late_moves = 4;

double seconds(std::int64_t from_ns, std::int64_t to_ns) {
  return static_cast<double>(to_ns - from_ns) * s_per_ns;
}

}  // namespace

CamTargetWatch::CamTargetWatch(const Engine& engine, std::uint64_t& next_id)
    : engine_(engine), next_id_(next_id), cams_(engine.cams.size()) {}

void CamTargetWatch::break_off() {
  for (Cam& cam : cams_) {
    cam.target_deg.reset();
    cam.phase_deg.reset();
    cam.moving = false;
  }
}

Finding CamTargetWatch::late_finding(const Reading& reading) const {
  Finding finding;
  apply(attribute(FindingKind::cam_off_target, Circumstance::slow_to_target), FindingKind::cam_off_target, finding);
  finding.phase = FindingPhase::open;
  finding.clock = "host";
  finding.channel = engine_.cams[reading.cam].name;
  finding.start_ns = reading.t_ns;
  finding.end_ns = reading.t_ns;
  finding.cycle = reading.cycle;
  finding.rpm = reading.rpm;
  return finding;
}

void CamTargetWatch::take(const Reading& reading, std::vector<Finding>& out) {
  Cam& cam = cams_[reading.cam];
  if (!reading.target_deg || reading.rpm < engine_.limits.running_rpm) {
    cam.target_deg.reset();
    cam.moving = false;
    cam.phase_deg = reading.phase_deg;
    return;
  }
  if (!cam.target_deg || std::fabs(*reading.target_deg - *cam.target_deg) > same_target_deg) {
    new_target(cam, reading);
  }
  cam.phase_deg = reading.phase_deg;
  const Travel seen = cam.travel.value_or(Travel{reading.phase_deg, reading.phase_deg});
  cam.travel = Travel{std::min(seen.least_deg, reading.phase_deg), std::max(seen.greatest_deg, reading.phase_deg)};
  watch_move(cam, reading, out);
}

void CamTargetWatch::new_target(Cam& cam, const Reading& reading) {
  // Only from a place where it stood at the old target does a move say how fast the phaser is.
  const bool stood = cam.target_deg && cam.phase_deg && std::fabs(*cam.phase_deg - *cam.target_deg) <= arrived_deg;
  cam.from_deg = cam.phase_deg.value_or(reading.phase_deg);
  cam.target_deg = reading.target_deg;
  cam.target_ns = reading.t_ns;
  cam.moving = stood && std::fabs(*cam.target_deg - cam.from_deg) >= move_least_deg;
  cam.moved_ns = 0;
}

void CamTargetWatch::watch_move(Cam& cam, const Reading& reading, std::vector<Finding>& out) {
  if (!cam.moving) {
    return;
  }
  if (cam.moved_ns == 0 && std::fabs(reading.phase_deg - cam.from_deg) >= arrived_deg) {
    cam.moved_ns = reading.t_ns;
  }
  if (std::fabs(reading.phase_deg - *cam.target_deg) > arrived_deg) {
    return;
  }
  cam.moving = false;
  CamMove move;
  move.from_deg = cam.from_deg;
  move.to_deg = *cam.target_deg;
  move.delay_s = seconds(cam.target_ns, cam.moved_ns);
  move.duration_s = seconds(cam.target_ns, reading.t_ns);
  move.rate_deg_per_s = move.duration_s > 0 ? (move.to_deg - move.from_deg) / move.duration_s : 0;
  add_move(cam, move, reading, out);
}

void CamTargetWatch::add_move(Cam& cam, const CamMove& move, const Reading& reading, std::vector<Finding>& out) {
  cam.moves.push_back(move);
  if (cam.moves.size() == usual_moves && cam.usual_s == 0) {
    std::vector<double> each;
    for (const CamMove& one : cam.moves) {
      each.push_back(one.duration_s / std::fabs(one.to_deg - one.from_deg));
    }
    cam.usual_s = median(std::move(each));
    return;
  }
  if (cam.moves.size() > moves_kept) {
    cam.moves.pop_front();
  }
  if (cam.usual_s == 0) {
    return;
  }
  const double usual_s = cam.usual_s * std::fabs(move.to_deg - move.from_deg);
  const bool is_late = move.duration_s > late_share * usual_s && move.duration_s > usual_s + late_s;
  cam.late = is_late ? cam.late + 1 : 0;
  if (cam.late >= late_moves && !cam.open_late) {
    Finding finding = late_finding(reading);
    finding.id = next_id_++;
    finding.values = {{"duration_s", move.duration_s}, {"usual_s", usual_s}, {"delay_s", move.delay_s}};
    cam.open_late = finding;
    out.push_back(std::move(finding));
  } else if (!is_late && cam.open_late) {
    out.push_back(closed(*std::exchange(cam.open_late, std::nullopt), reading.t_ns));
  }
}

}  // namespace cw
