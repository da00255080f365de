#include "compare/cam_change_watch.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr double s_per_ns = 1e-9;
constexpr std::size_t waiting_cycles = 10;  // CamWatch tells a step after five
constexpr double cooled_after_s = 600;      // standing for so long an engine begins to warm up anew
constexpr double warm_c = 70;
constexpr double near_park_deg = 1.5;
constexpr double alike_share = 0.35;
constexpr double alike_sigmas = 3;
constexpr double half_way = 0.6;
constexpr double wait_s_least = 15;
constexpr double wait_s_most = 240;
constexpr double wait_share = 0.3;  // of the time that the drift took so far
constexpr double at_park_target_deg = 0.5;
constexpr double in_motion_deg = 1;

// Warmth moves a cam little by little; what moves at once while the engine warms up is no warmth.
double slow_change_deg(const Limits& limits, bool warm) {
  return warm ? 0 : std::max(limits.cam_change_deg, limits.cam_warm_up_deg);
}

}  // namespace

CamChangeWatch::CamChangeWatch(const Engine& engine, std::uint64_t& next_id)
    : engine_(engine), next_id_(next_id), warm_(engine.limits.warm_up_s <= 0), was_warm_(warm_) {
  const Limits& limits = engine.limits;
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    cams_.emplace_back(ChangeLimits{limits.cam_change_deg, limits.learn_s, limits.hysteresis});
    cams_.back().detector.set_slow_change(slow_change_deg(limits, warm_));
    for (std::size_t other = 0; other < engine.cams.size(); ++other) {
      if (!engine.cams[i].moves_with.empty() && engine.cams[other].name == engine.cams[i].moves_with) {
        const ChangeLimits apart{limits.cam_pair_deg, limits.learn_s, limits.hysteresis};
        pairs_.push_back({i, other, ChangeDetector(apart), {}, {}, {}, 0});
      }
    }
  }
}

void CamChangeWatch::break_off() {
  for (Cam& cam : cams_) {
    cam.waiting.clear();
    cam.detector.break_off();
  }
  for (Pair& pair : pairs_) {
    pair.first_deg.reset();
    pair.second_deg.reset();
    pair.detector.break_off();
  }
}

void CamChangeWatch::learn_anew() {
  for (Cam& cam : cams_) {
    cam.detector.set_change(engine_.limits.cam_change_deg, true);
  }
  for (Pair& pair : pairs_) {
    pair.detector.set_change(engine_.limits.cam_pair_deg, true);
  }
}

void CamChangeWatch::watch_warmth(const CamCycleEvent& event, const CamConditions& conditions) {
  const bool stood =
      running_ && (event.now_ns < last_ns_ || static_cast<double>(event.now_ns - last_ns_) * s_per_ns > cooled_after_s);
  if (!running_ || stood) {
    start_ns_ = event.now_ns;
  }
  running_ = true;
  last_ns_ = event.now_ns;
  const bool by_time = static_cast<double>(event.now_ns - start_ns_) * s_per_ns >= engine_.limits.warm_up_s;
  const bool warm = conditions.engine_temperature_c ? *conditions.engine_temperature_c >= warm_c : by_time;
  if (warm == warm_) {
    return;
  }
  warm_ = warm;
  const Limits& limits = engine_.limits;
  for (Cam& cam : cams_) {
    cam.detector.set_change(limits.cam_change_deg, warm && !was_warm_);
    cam.detector.set_slow_change(slow_change_deg(limits, warm));
  }
  was_warm_ = was_warm_ || warm;
}

bool CamChangeWatch::parked(const Cam& cam, const CamCycleEvent& event, const CamConditions& conditions) const {
  const CamPattern& pattern = engine_.cams[event.cam];
  if (pattern.fixed()) {
    return true;
  }
  if (event.cam < conditions.target_deg.size() && conditions.target_deg[event.cam]) {
    return std::fabs(*conditions.target_deg[event.cam]) <= at_park_target_deg;
  }
  const double phase = event.match.shift_deg - cam.moved_deg;
  const bool outside = phase < pattern.phaser_min_deg || phase > pattern.phaser_max_deg;
  return outside || std::fabs(phase - cam.park_deg.value_or(0)) <= near_park_deg;
}

void CamChangeWatch::take(const CamCycleEvent& event, double moved_deg, const CamConditions& conditions,
                          std::vector<Finding>& out) {
  const CamPattern& pattern = engine_.cams[event.cam];
  if (pattern.turns_with_crank || event.rpm < engine_.limits.running_rpm || event.match.matched == 0 ||
      event.match.mismatches() > 0) {
    return;
  }
  watch_warmth(event, conditions);
  take_pair(event, out);
  Cam& cam = cams_[event.cam];
  if (moved_deg != cam.moved_deg) {
    cam.detector.allow_for(moved_deg - cam.moved_deg);
    cam.moved_deg = moved_deg;
    cam.waiting.clear();
  }
  if (!parked(cam, event, conditions)) {
    return;
  }
  cam.waiting.push_back({{event.now_ns, event.match.shift_deg, event.rpm}, event.cycle});
  if (cam.waiting.size() > waiting_cycles) {
    const Waiting oldest = cam.waiting.front();
    cam.waiting.pop_front();
    feed(event.cam, oldest, conditions, out);
  }
}

void CamChangeWatch::feed(std::size_t index, const Waiting& waiting, const CamConditions& conditions,
                          std::vector<Finding>& out) {
  Cam& cam = cams_[index];
  constexpr double follow = 0.02;
  const double phase = waiting.reading.value - cam.moved_deg;
  cam.park_deg = cam.park_deg ? *cam.park_deg + follow * (phase - *cam.park_deg) : phase;
  std::vector<Change> changes;
  cam.detector.take(waiting.reading, changes);
  for (const Change& change : changes) {
    if (change.phase != ChangePhase::began) {
      settle(std::numeric_limits<std::int64_t>::max(), out);
      cam.open.ended(change, out);
      if (shared_ && shared_->cam == index && shared_->change.number == change.number) {
        shared_.reset();
      }
    } else if (!within_travel(index, change, conditions)) {
      const double drift_s = wait_share * std::fabs((change.to - change.from) / change.rate_per_s);
      const double wait_s =
          change.kind == ChangeKind::step ? wait_s_least : std::clamp(drift_s, wait_s_least, wait_s_most);
      pending_.push_back(
          {index, change, waiting.cycle, waiting.reading.t_ns + static_cast<std::int64_t>(wait_s * 1e9)});
    }
  }
  settle(waiting.reading.t_ns, out);
}

// Within the travel of its phaser the ECU may have moved the cam on purpose.
bool CamChangeWatch::within_travel(std::size_t index, const Change& change, const CamConditions& conditions) const {
  const CamPattern& pattern = engine_.cams[index];
  const bool target_known = index < conditions.target_deg.size() && conditions.target_deg[index].has_value();
  const double from_park = change.to - cams_[index].moved_deg;
  return !pattern.fixed() && !target_known && from_park > pattern.phaser_min_deg && from_park < pattern.phaser_max_deg;
}

void CamChangeWatch::settle(std::int64_t now_ns, std::vector<Finding>& out) {
  while (!pending_.empty()) {
    const Pending first = pending_.front();
    const bool all = all_changed(first);
    if (!all && first.until_ns > now_ns) {
      return;
    }
    pending_.erase(pending_.begin());
    if (!goes_with_all(first)) {
      tell(first, all, out);
    }
  }
}

void CamChangeWatch::finish(std::vector<Finding>& out) {
  settle(std::numeric_limits<std::int64_t>::max(), out);
}

std::size_t CamChangeWatch::watched() const {
  return static_cast<std::size_t>(std::count_if(engine_.cams.begin(), engine_.cams.end(),
                                                [](const CamPattern& cam) { return !cam.turns_with_crank; }));
}

// While all cams walk off together, what one of them is seen to do alone in the same direction is the same drift, seen later.
bool CamChangeWatch::goes_with_all(const Pending& pending) const {
  return shared_ && pending.cam != shared_->cam &&
         (pending.change.to - pending.change.from) * shared_->change.rate_per_s > 0 &&
         std::fabs(pending.change.to - pending.change.from) < 2 * engine_.limits.cam_change_deg;
}

// Whether every other cam has changed alike and has not told it yet.
bool CamChangeWatch::all_changed(const Pending& pending) const {
  const double by = pending.change.to - pending.change.from;
  for (std::size_t other = 0; other < cams_.size(); ++other) {
    if (other == pending.cam || engine_.cams[other].turns_with_crank) {
      continue;
    }
    const auto waits = std::find_if(pending_.begin(), pending_.end(), [&](const Pending& one) {
      return one.cam == other && one.change.kind == pending.change.kind;
    });
    const std::optional<double> change_deg =
        waits != pending_.end() ? std::optional(waits->change.to - waits->change.from) : cams_[other].detector.unsaid();
    // Noise widens it, but what has hardly moved has not moved alike.
    const double noise = std::min(alike_sigmas * cams_[other].detector.noise().value_or(0), half_way * std::fabs(by));
    const double slack = std::max(alike_share * std::fabs(by), noise);
    if (!change_deg || std::fabs(*change_deg - by) > slack) {
      return false;
    }
  }
  return watched() > 1;
}

void CamChangeWatch::tell(const Pending& pending, bool all, std::vector<Finding>& out) {
  const Change& change = pending.change;
  for (std::size_t other = 0; all && other < cams_.size(); ++other) {
    const bool waits = std::erase_if(pending_, [&](const Pending& one) { return one.cam == other; }) > 0;
    if (other != pending.cam && !waits) {
      cams_[other].detector.accept();
    }
  }
  const bool step = change.kind == ChangeKind::step;
  const bool late = change.to > change.from;
  const FindingKind kind = all    ? (step ? FindingKind::crank_wheel_step : FindingKind::crank_wheel_drift)
                           : step ? FindingKind::cam_step
                                  : FindingKind::cam_drift;
  const Circumstance circumstance = all ? (step   ? Circumstance::small_step_all_cams
                                           : late ? Circumstance::all_cams_late
                                                  : Circumstance::all_cams_early)
                                    : watched() > 1
                                        ? (step ? Circumstance::small_step_one_cam : Circumstance::one_cam)
                                        : (step ? Circumstance::small_step_only_cam : Circumstance::only_cam);
  const CamPattern& pattern = engine_.cams[pending.cam];
  Finding finding = finding_of(change, kind, circumstance);
  finding.id = next_id_++;
  finding.cycle = pending.cycle;
  finding.channel = all ? engine_.crank.channel : pattern.name;
  if (pattern.gear_teeth) {
    finding.values.emplace_back("gear_teeth_moved",
                                (change.to - change.from) * *pattern.gear_teeth / (2 * deg_per_rev));
  }
  if (pattern.crank_gear_teeth) {
    finding.values.emplace_back("crank_gear_teeth_moved",
                                (change.to - change.from) * *pattern.crank_gear_teeth / deg_per_rev);
  }
  cams_[pending.cam].open.opened(change.number, finding);
  if (all && !step) {
    shared_ = Shared{pending.cam, change};
  }
  out.push_back(std::move(finding));
}

void CamChangeWatch::take_pair(const CamCycleEvent& event, std::vector<Finding>& out) {
  for (Pair& pair : pairs_) {
    if (event.cam != pair.first && event.cam != pair.second) {
      continue;
    }
    std::optional<double>& mine = event.cam == pair.first ? pair.first_deg : pair.second_deg;
    const bool moving = mine && std::fabs(event.match.shift_deg - *mine) > in_motion_deg;
    mine = event.match.shift_deg;
    const bool both = pair.cycle == event.cycle && pair.first_deg && pair.second_deg;
    pair.cycle = event.cycle;
    if (!both || moving) {
      continue;
    }
    std::vector<Change> changes;
    pair.detector.take({event.now_ns, *pair.first_deg - *pair.second_deg, event.rpm}, changes);
    for (const Change& change : changes) {
      if (change.phase != ChangePhase::began) {
        pair.open.ended(change, out);
        continue;
      }
      Finding finding = finding_of(change, FindingKind::cam_drift, Circumstance::pair_apart);
      finding.id = next_id_++;
      finding.cycle = event.cycle;
      finding.channel = engine_.cams[pair.first].name;
      pair.open.opened(change.number, finding);
      out.push_back(std::move(finding));
    }
  }
}

}  // namespace cw
