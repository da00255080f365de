#include "compare/cam_watch.hpp"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <string>
#include <utility>

#include "compare/robust.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr std::size_t step_cycles = 3;    // cycles that must agree on the new place
constexpr std::size_t recent_cycles = 5;  // step_cycles, the cycle in which it happened, and one before
constexpr std::size_t level_cycles = 16;
constexpr std::size_t level_cycles_min = 4;
constexpr int dead_cycles = 3;
constexpr std::uint64_t together_cycles = 3;  // cams that step within this belong together
constexpr double whole_tooth_slack_deg = 2.0;
constexpr double alike_slack_deg = 2.0;
constexpr double spreads_for_step = 6.0;

double usual_spread(const std::vector<double>& level) {
  return robust_mean(level).spread;
}

// An uncertainty so small goes unnoticed beside the limits; what is more widens them.
double beyond_notice(double uncertainty_deg) {
  constexpr double unnoticed_deg = 0.5;
  return std::max(0.0, uncertainty_deg - unnoticed_deg);
}

bool undisturbed(const CamCycleEvent& event) {
  return event.match.matched > 0 && event.match.mismatches() == 0;
}

double least_step_deg(const CamPattern& pattern, double cycle_deg) {
  double least = cycle_deg;
  for (std::size_t i = 1; i < pattern.edges.size(); ++i) {
    least = std::min(least, pattern.edges[i].angle_deg - pattern.edges[i - 1].angle_deg);
  }
  return pattern.edges.size() < 2
             ? least
             : std::min(least, pattern.edges.front().angle_deg + cycle_deg - pattern.edges.back().angle_deg);
}

// On a slow crank speed between the teeth is seen so badly that an edge may seem to stand elsewhere: one that is missed
// here and one too many nearer to it than to any other are then the same edge, and no fault.
CamMatch without_displaced(CamMatch match, const CamPattern& pattern, double cycle_deg) {
  const double near_deg = least_step_deg(pattern, cycle_deg) / 2;
  std::erase_if(match.missing_deg, [&](double missing_deg) {
    const auto same = std::find_if(match.surplus.begin(), match.surplus.end(), [&](const LocatedEdge& edge) {
      return std::fabs(edge.angle_deg - missing_deg) < near_deg;
    });
    const bool displaced = same != match.surplus.end();
    if (displaced) {
      match.surplus.erase(same);
    }
    return displaced;
  });
  return match;
}

}  // namespace

CamWatch::CamWatch(const Engine& engine, std::uint64_t& next_id)
    : engine_(engine), next_id_(next_id), cams_(engine.cams.size()) {}

std::vector<std::optional<double>> CamWatch::phases() const {
  std::vector<std::optional<double>> all;
  for (const Cam& cam : cams_) {
    all.push_back(cam.phase_deg);
  }
  return all;
}

bool CamWatch::steady() const {
  return steps_.empty() && std::none_of(cams_.begin(), cams_.end(), [](const Cam& cam) { return cam.stepped; });
}

Finding CamWatch::base(FindingKind kind, Circumstance circumstance, const CamCycleEvent& event) const {
  Finding finding;
  apply(attribute(kind, circumstance), kind, finding);
  finding.channel = engine_.cams[event.cam].name;
  finding.start_ns = event.now_ns;
  finding.end_ns = event.now_ns;
  finding.cycle = event.cycle;
  if (event.rpm > 0) {
    finding.rpm = event.rpm;
  }
  return finding;
}

void CamWatch::take(const CamCycleEvent& event, std::vector<Finding>& out) {
  Cam& cam = cams_[event.cam];
  if (event.match.matched > 0) {
    cam.phase_deg = event.match.shift_deg;
  }
  watch_dead(cam, event, out);
  cam.recent.push_back(event);
  if (const std::optional<Step> step = find_step(cam)) {
    steps_.push_back(*step);
    // The cycles of the step are explained by it; what follows is measured from the new place.
    cam.recent.clear();
    cam.level.clear();
    cam.stepped = true;
    cam.moved_deg += step->change_deg;
  }
  report_steps(out);
  if (cam.recent.size() > recent_cycles) {
    const CamCycleEvent oldest = std::move(cam.recent.front());
    cam.recent.pop_front();
    judge_edges(cam, oldest, out);
    add_to_level(cam, oldest);
  }
  watch_deviation(cam, event, out);
}

void CamWatch::add_to_level(Cam& cam, const CamCycleEvent& event) {
  if (!undisturbed(event)) {
    return;
  }
  cam.level.push_back({event.match.shift_deg, event.match.uncertainty_deg});
  cam.level_edge_ns = event.last_edge_ns;
  if (cam.level.size() > level_cycles) {
    cam.level.erase(cam.level.begin());
  }
}

void CamWatch::watch_dead(Cam& cam, const CamCycleEvent& event, std::vector<Finding>& out) {
  const bool silent = event.match.matched == 0 && event.match.surplus.empty() && !event.match.missing_deg.empty();
  if (!silent) {
    cam.silent_cycles = 0;
    cam.last_edge_ns = event.last_edge_ns;
    if (cam.open_dead) {
      out.push_back(closed(*cam.open_dead, event.now_ns));
      cam.open_dead.reset();
      cam.recent.clear();  // the silent cycles are told
    }
    return;
  }
  ++cam.silent_cycles;
  if (cam.silent_cycles >= dead_cycles && !cam.open_dead) {
    Finding finding = base(FindingKind::cam_signal_dead, Circumstance::crank_goes_on, event);
    finding.id = next_id_++;
    finding.phase = FindingPhase::open;
    finding.start_ns = cam.last_edge_ns > 0 ? cam.last_edge_ns : event.now_ns;
    finding.values.emplace_back("silent_cycles", cam.silent_cycles);
    cam.open_dead = finding;
    cam.phase_deg.reset();
    cam.recent.clear();  // the missing edges of these cycles are this finding
    out.push_back(std::move(finding));
  }
}

std::vector<double> CamWatch::level_deg(const Cam& cam) {
  std::vector<double> level;
  std::transform(cam.level.begin(), cam.level.end(), std::back_inserter(level),
                 [](const Phase& phase) { return phase.deg; });
  return level;
}

// What is not seen of the speed between the teeth shifts every cycle alike, before and after: it is not averaged away.
double CamWatch::step_limit_deg(const Cam& cam, std::size_t index) const {
  const double limit = engine_.limits.cam_warning_deg;
  const double spread = cam.level.empty() ? 0 : usual_spread(level_deg(cam));
  const CamPattern& pattern = engine_.cams[index];
  std::vector<double> unsure_before;
  std::transform(cam.level.begin(), cam.level.end(), std::back_inserter(unsure_before),
                 [](const Phase& phase) { return phase.uncertainty_deg; });
  const double before = unsure_before.empty() ? 0 : median(unsure_before);
  const double now = cam.recent.empty() ? 0 : cam.recent.back().match.uncertainty_deg;
  const double unsure = std::max(before, now);
  return std::max(pattern.fixed() ? limit : std::max(limit, pattern.tolerance_deg), spreads_for_step * spread) +
         beyond_notice(unsure);
}

// Whether the newest phases may stand further from the level than any limit allows: the level lies between its least and
// greatest phase, and no limit is below the file's. Mostly they don't, and medians are dear.
bool CamWatch::may_have_stepped(const Cam& cam) const {
  const CamPattern& pattern = engine_.cams[cam.recent.back().cam];
  const double least_limit_deg = pattern.fixed() ? engine_.limits.cam_warning_deg
                                                 : std::max(engine_.limits.cam_warning_deg, pattern.tolerance_deg);
  double low_deg = cam.level.front().deg;
  double high_deg = low_deg;
  for (const Phase& phase : cam.level) {
    low_deg = std::min(low_deg, phase.deg);
    high_deg = std::max(high_deg, phase.deg);
  }
  bool all_later = true;
  bool all_earlier = true;
  for (std::size_t i = cam.recent.size() - step_cycles; i < cam.recent.size(); ++i) {
    const double phase_deg = cam.recent[i].match.shift_deg;
    all_later = all_later && phase_deg - low_deg > least_limit_deg;
    all_earlier = all_earlier && phase_deg - high_deg < -least_limit_deg;
  }
  return all_later || all_earlier;
}

std::optional<CamWatch::Step> CamWatch::find_step(const Cam& cam) const {
  if (cam.level.size() < level_cycles_min || cam.recent.size() < step_cycles || !may_have_stepped(cam)) {
    return std::nullopt;
  }
  const std::size_t index = cam.recent.back().cam;
  const double level = median(level_deg(cam));
  const double limit = step_limit_deg(cam, index);
  const std::size_t first = cam.recent.size() - step_cycles;
  std::vector<double> phases;
  for (std::size_t i = first; i < cam.recent.size(); ++i) {
    if (cam.recent[i].match.matched == 0) {
      return std::nullopt;
    }
    phases.push_back(cam.recent[i].match.shift_deg);
  }
  const auto [least, most] = std::minmax_element(phases.begin(), phases.end());
  const bool away = *least - level > limit || *most - level < -limit;
  if (!away || *most - *least > limit / 2) {
    return std::nullopt;
  }
  const double now = median(phases);
  const CamPattern& pattern = engine_.cams[index];
  const double from_park = now - cam.moved_deg;
  const bool within_travel = from_park > pattern.phaser_min_deg - pattern.tolerance_deg &&
                             from_park < pattern.phaser_max_deg + pattern.tolerance_deg;
  // Within its travel a phaser may have moved the cam on purpose.
  if (!pattern.fixed() && within_travel) {
    return std::nullopt;
  }
  // A step, not a move: before the agreeing cycles at most one lies between the two places.
  const std::size_t between = static_cast<std::size_t>(std::count_if(
      cam.recent.begin(), cam.recent.begin() + static_cast<std::ptrdiff_t>(first), [&](const CamCycleEvent& event) {
        const double from_old = std::fabs(event.match.shift_deg - level);
        return event.match.matched > 0 && from_old > limit / 2 && std::fabs(event.match.shift_deg - now) > limit / 2;
      }));
  if (between > 1) {
    return std::nullopt;
  }
  // Between the last edge of the last undisturbed cycle before, and the first edge of the agreeing cycles.
  const CamCycleEvent& agreeing = cam.recent[first];
  Step step;
  step.cam = index;
  step.change_deg = now - level;
  step.from_deg = level;
  step.start_ns = cam.level_edge_ns;
  for (std::size_t i = 0; i < first; ++i) {
    const CamCycleEvent& before = cam.recent[i];
    if (before.match.matched > 0 && std::fabs(before.match.shift_deg - level) < limit / 2) {
      step.start_ns = before.last_edge_ns;
    }
  }
  step.end_ns = agreeing.first_edge_ns;
  if (disturbance_ns_ > step.start_ns && disturbance_ns_ < step.end_ns) {
    step.start_ns = disturbance_ns_;
  }
  step.cycle = agreeing.cycle;
  step.rpm = agreeing.rpm;
  return step;
}

double CamWatch::teeth_of(std::size_t cam, double change_deg) const {
  const std::optional<int>& teeth = engine_.cams[cam].gear_teeth;
  // One tooth of an N-tooth cam gear is 720/N crank degrees.
  return teeth ? change_deg * *teeth / (2 * deg_per_rev) : 0;
}

bool CamWatch::whole_teeth(std::size_t cam, double change_deg) const {
  const double teeth = teeth_of(cam, change_deg);
  const double nearest = std::round(teeth);
  if (nearest == 0 || !engine_.cams[cam].gear_teeth) {
    return false;
  }
  return std::fabs(change_deg - nearest * 2 * deg_per_rev / *engine_.cams[cam].gear_teeth) <= whole_tooth_slack_deg;
}

void CamWatch::report_steps(std::vector<Finding>& out) {
  while (!steps_.empty()) {
    const Step first = steps_.front();
    std::size_t moved = 0;
    bool others_seen_later = true;
    for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
      const auto found = std::find_if(steps_.begin(), steps_.end(), [&](const Step& step) {
        return step.cam == cam && std::fabs(step.change_deg - first.change_deg) <= alike_slack_deg;
      });
      moved += found != steps_.end() ? 1 : 0;
      const bool later =
          !cams_[cam].recent.empty() && cams_[cam].recent.back().cycle > first.cycle + step_cycles + together_cycles;
      others_seen_later = others_seen_later && (found != steps_.end() || later);
    }
    if (!others_seen_later) {
      return;
    }
    const bool whole = whole_teeth(first.cam, first.change_deg);
    const bool only = cams_.size() == 1;
    const bool all = !only && moved == cams_.size();
    const Circumstance circumstance =
        only  ? (whole ? Circumstance::whole_teeth_only_cam : Circumstance::part_tooth_only_cam)
        : all ? (whole ? Circumstance::whole_teeth_all_cams : Circumstance::part_tooth_all_cams)
              : (whole ? Circumstance::whole_teeth_one_cam : Circumstance::part_tooth_one_cam);
    // Cams that moved alike are told with the same words; a moved wheel is one finding for all of them.
    const bool wheel = circumstance == Circumstance::part_tooth_all_cams;
    std::vector<Step> alike;
    std::copy_if(steps_.begin(), steps_.end(), std::back_inserter(alike),
                 [&](const Step& step) { return std::fabs(step.change_deg - first.change_deg) <= alike_slack_deg; });
    std::erase_if(steps_,
                  [&](const Step& step) { return std::fabs(step.change_deg - first.change_deg) <= alike_slack_deg; });
    for (std::size_t i = 0; i < alike.size() && (i == 0 || !wheel); ++i) {
      report_step(alike[i], circumstance, out);
    }
  }
}

void CamWatch::report_step(const Step& step, Circumstance circumstance, std::vector<Finding>& out) {
  const bool wheel = circumstance == Circumstance::part_tooth_all_cams;
  const FindingKind kind = wheel ? FindingKind::crank_wheel_step : FindingKind::cam_step;
  Finding finding;
  apply(attribute(kind, circumstance), kind, finding);
  finding.id = next_id_++;
  finding.start_ns = step.start_ns;
  finding.end_ns = step.end_ns;
  finding.cycle = step.cycle;
  if (step.rpm > 0) {
    finding.rpm = step.rpm;
  }
  finding.channel = wheel ? engine_.crank.channel : engine_.cams[step.cam].name;
  // The wheel's teeth coming later make every cam seem earlier.
  finding.values.emplace_back("step_deg", wheel ? -step.change_deg : step.change_deg);
  finding.values.emplace_back("before_deg", step.from_deg);
  finding.values.emplace_back("after_deg", step.from_deg + step.change_deg);
  if (engine_.cams[step.cam].gear_teeth) {
    finding.values.emplace_back("gear_teeth_moved", teeth_of(step.cam, step.change_deg));
  }
  out.push_back(std::move(finding));
}

void CamWatch::judge_edges(const Cam& cam, const CamCycleEvent& event, std::vector<Finding>& out) {
  if (cam.open_dead) {
    return;
  }
  const bool slow = event.rpm < engine_.limits.running_rpm;
  const CamMatch match =
      slow ? without_displaced(event.match, engine_.cams[event.cam], engine_.cycle_deg) : event.match;
  for (const double angle : match.missing_deg) {
    Finding finding = base(FindingKind::cam_edge_missing, Circumstance::any, event);
    finding.id = next_id_++;
    finding.angle_deg = wrap_deg(angle, engine_.cycle_deg);
    if (event.rpm > 0) {
      const double ago_s = (event.now_deg - angle) / (deg_per_s_per_rpm * event.rpm);
      finding.start_ns = event.now_ns - static_cast<std::int64_t>(ago_s * 1e9);
      finding.end_ns = finding.start_ns;
    }
    out.push_back(std::move(finding));
  }
  for (const LocatedEdge& edge : match.surplus) {
    Finding finding = base(FindingKind::cam_extra_edge, Circumstance::any, event);
    finding.id = next_id_++;
    finding.angle_deg = wrap_deg(edge.angle_deg, engine_.cycle_deg);
    finding.start_ns = edge.t_ns;
    finding.end_ns = edge.t_ns;
    out.push_back(std::move(finding));
  }
}

void CamWatch::watch_deviation(Cam& cam, const CamCycleEvent& event, std::vector<Finding>& out) {
  if (event.match.matched == 0) {
    return;
  }
  const CamPattern& pattern = engine_.cams[event.cam];
  const double slack = (pattern.fixed() ? engine_.limits.cam_warning_deg : pattern.tolerance_deg) +
                       beyond_notice(event.match.uncertainty_deg);
  const double phase = event.match.shift_deg;
  const double outside = std::max(pattern.phaser_min_deg - phase, phase - pattern.phaser_max_deg);
  cam.outside_cycles = outside > slack ? cam.outside_cycles + 1 : 0;
  cam.inside_cycles = outside < slack * engine_.limits.hysteresis ? cam.inside_cycles + 1 : 0;
  const int hold = engine_.limits.hold_cycles;
  if (cam.outside_cycles >= hold && !cam.open_deviation && !cam.stepped) {
    Finding finding = base(FindingKind::cam_deviation, Circumstance::any, event);
    finding.id = next_id_++;
    finding.phase = FindingPhase::open;
    finding.values.emplace_back("phase_deg", phase);
    if (pattern.gear_teeth && pattern.fixed()) {
      finding.values.emplace_back("gear_teeth_off", teeth_of(event.cam, phase));
      if (whole_teeth(event.cam, phase)) {
        finding.severity = Severity::fault;
        finding.reason +=
            "; it is off by a whole number of teeth of its gear, as after a belt or chain fitted wrongly "
            "or jumped before this session";
        finding.next_checks.assign(
            {std::string(attribute(FindingKind::cam_step, Circumstance::whole_teeth_only_cam).next_checks.front()),
             "timing marks of this cam and the crank", "belt or chain tension and tensioner"});
      }
    }
    cam.open_deviation = finding;
    out.push_back(std::move(finding));
  }
  if (cam.inside_cycles >= hold) {
    cam.stepped = false;
    if (cam.open_deviation) {
      out.push_back(closed(*cam.open_deviation, event.now_ns));
      cam.open_deviation.reset();
    }
  }
}

void CamWatch::break_off(std::vector<Finding>& out) {
  for (Cam& cam : cams_) {
    while (!cam.recent.empty()) {
      judge_edges(cam, cam.recent.front(), out);
      add_to_level(cam, cam.recent.front());
      cam.recent.pop_front();
    }
    cam.phase_deg.reset();
    cam.silent_cycles = 0;
  }
  for (const Step& step : steps_) {
    const bool whole = whole_teeth(step.cam, step.change_deg);
    report_step(step, whole ? Circumstance::whole_teeth_only_cam : Circumstance::part_tooth_only_cam, out);
  }
  steps_.clear();
}

}  // namespace cw
