// Whether a slow crank may have turned back: what CrankTracker asks before it claims a place. One sensor does not see the
// direction.
#include <algorithm>
#include <cmath>
#include <utility>

#include "geometry/angle.hpp"
#include "sync/crank_limits.hpp"
#include "sync/crank_tracker.hpp"

namespace cw {

namespace {

// With uniform deceleration a, a crank that passes a tooth with speed v and turns back shows, in units of sqrt(step / a)
// and with y = v^2 / (a step), intervals of sqrt(y + 4) - sqrt(y + 2), sqrt(y + 2) - sqrt(y), and then 2 sqrt(y) until
// the same tooth passes backwards. A ratio of the first two below 1.22 means y > 3: the turn then looks like five or
// more missed teeth. So one or two missed teeth, or an edge too many, are believed only after a steady step.
constexpr double steady_log_ratio = 0.2;

}  // namespace

// A crank that swings back has nothing that drives it: each turn takes longer than the one before.
bool CrankTracker::turns_take_longer() const {
  constexpr double longer = 1.03;
  const auto turn = static_cast<std::uint64_t>(turn_teeth_);
  if (raw_count_ <= 2 * turn) {
    return true;
  }
  const std::int64_t now_ns = newest_ns();
  const std::int64_t turn_ago_ns = raw_[(raw_count_ - 1 - turn) & mask_];
  const std::int64_t two_ago_ns = raw_[(raw_count_ - 1 - 2 * turn) & mask_];
  return static_cast<double>(now_ns - turn_ago_ns) > longer * static_cast<double>(turn_ago_ns - two_ago_ns);
}

// Whether some interval of this episode is so long that the crank may have turned back in it or beside it, whatever the
// edges are taken for: thrown back with the deceleration a, one of the intervals takes at least 0.93 sqrt(step / a).
bool CrankTracker::could_stop() const {
  constexpr double least_interval = 0.93;
  const double slow_ns = least_interval * std::sqrt(cycle_.mean_step_deg() / crank_limits::slowing_max_deg_s2) * 1e9;
  const std::uint64_t count = std::min<std::uint64_t>(episode_.edges() + 2, std::min(raw_count_, mask_));
  for (std::uint64_t i = 3; i <= count; ++i) {
    const std::int64_t dt_ns = raw_[(raw_count_ - i + 1) & mask_] - raw_[(raw_count_ - i) & mask_];
    if (static_cast<double>(dt_ns) > slow_ns) {
      return true;
    }
  }
  return false;
}

// Whether a slow crank has shown no tooth for so long that what it did meanwhile can't be known: longer than two missed
// teeth in a dip.
bool CrankTracker::stalled(std::int64_t t_ns) const {
  constexpr double slow_rpm = 400;
  constexpr double dip = 1.7;
  constexpr double coarse_deg = 11;  // between finer teeth a crank that turns back shows it by the steps before
  const Survivor& best = episode_.best();
  double reach_deg = 0;
  auto tooth = static_cast<std::size_t>(best.tooth);
  for (int i = 0; i <= crank_limits::missed_when_slow_max; ++i) {
    reach_deg += cycle_step_deg_[tooth];
    tooth = (tooth + 1) % cycle_step_deg_.size();
  }
  return cycle_.mean_step_deg() > coarse_deg && best.speed.ns_per_deg > ns_per_deg_at(slow_rpm) &&
         static_cast<double>(t_ns - best.t_ns) > dip * reach_deg * best.speed.ns_per_deg;
}

// Whether the last interval was so long that the crank may have turned back in it.
bool CrankTracker::slow_interval() const {
  constexpr double crank_rpm_max = 500;
  if (episode_.best().speed.ns_per_deg < ns_per_deg_at(crank_rpm_max)) {
    return false;  // from such a speed no crank turns back: the signal was away
  }
  constexpr double turning_share = 0.35;
  const auto dt_ns = static_cast<double>(newest_ns() - raw_[(raw_count_ - 2) & mask_]);
  return dt_ns * turning_share > slow_ns_per_deg_ * cycle_.mean_step_deg();
}

// A fault seen on a slow crank may as well be the crank that swings back over a tooth.
bool CrankTracker::may_have_turned(const Survivor& survivor) const {
  if (!fault_now(survivor)) {
    return false;
  }
  if (as_a_cycle_ago(survivor)) {
    return false;
  }
  constexpr double believed_rpm_share = 0.45;
  if (survivor.speed.ns_per_deg * believed_rpm_share > slow_ns_per_deg_) {
    return true;
  }
  constexpr double many_missed_rpm_share = 0.4;
  if (survivor.missed_run > crank_limits::missed_when_slow_max &&
      survivor.speed.ns_per_deg > many_missed_rpm_share * slow_ns_per_deg_) {
    return true;
  }
  if (!doubted_ && survivor.speed.ns_per_deg < slow_ns_per_deg_) {
    return false;
  }
  const bool slowing = survivor.trend_before_fault_per_deg * cycle_.mean_step_deg() > steady_log_ratio;
  return doubted_ || slowing;
}

// How surely the crank comes to a stop within a step like the last one, were it slowed down on as over that: v^2 falls
// evenly with angle as work is done. 1 = just at its end; 0 = no danger.
double CrankTracker::stopping(const SpeedState& speed) const {
  if (speed.ns_per_deg < slow_ns_per_deg_) {
    return 0;
  }
  constexpr double steps_ahead = 1.5;  // from the middle of the last step to the end of the next
  return std::max(0.0, 2 * speed.trend_per_deg * steps_ahead * speed.last_step_deg);
}

double CrankTracker::next_step_deg(const Survivor& survivor) const {
  return cycle_step_deg_[static_cast<std::size_t>(survivor.tooth) % cycle_step_deg_.size()];
}

// Whether the crank passed this tooth about as slowly a cycle ago and went on: a crank that is cranked steadily slows
// down at every compression and does not stop.
bool CrankTracker::as_a_cycle_ago(const Survivor& survivor) const {
  constexpr double much_slower = 1.12;
  constexpr std::uint64_t faults_allowed = 8;
  const auto count = static_cast<std::uint64_t>(cycle_.teeth.size());
  const auto since = static_cast<std::uint64_t>(survivor.clean_steps) + CrankTracker::lag_marks;
  for (std::uint64_t back = count > since + faults_allowed ? count - since - faults_allowed : 1;
       back < count + faults_allowed && mark_count_ > first_mark_ + back + 1; ++back) {
    const CrankMark& mark = marks_[(mark_count_ - back) & mask_];
    if (mark.tooth == survivor.tooth) {
      const CrankMark& before = marks_[(mark_count_ - back - 1) & mask_];
      const double ns_per_deg =
          static_cast<double>(mark.t_ns - before.t_ns) / cycle_.between_deg(before.tooth, mark.tooth);
      return survivor.speed.ns_per_deg < much_slower * ns_per_deg;
    }
  }
  return false;
}

// The last `count` teeth as the episode has them, oldest first; fewer when there are not so many.
std::vector<CrankMark> CrankTracker::newest_teeth(std::size_t count) const {
  std::vector<CrankMark> teeth;
  for (std::uint64_t i = mark_count_ - std::min<std::uint64_t>(count, mark_count_ - first_mark_); i < mark_count_;
       ++i) {
    teeth.push_back(marks_[i & mask_]);
  }
  for (const PathNode& node : episode_.best_path()) {
    if (node.fault != ToothFault::extra) {
      teeth.push_back({node.t_ns, node.tooth});
    }
  }
  teeth.erase(teeth.begin(), teeth.end() - static_cast<std::ptrdiff_t>(std::min(count, teeth.size())));
  return teeth;
}

// Two steps after a gap. A crank that compression slows down so much that it would stand in the gap, and that comes out
// of it faster and faster, was slowest in between: its v^2, which falls and rises as work is done, lies below a straight
// line from one side of the gap to the other, and the gap takes longer than on that line, 2 L / (v1 + v2). One that
// turned back in the gap has passed less than the gap and may take less.
bool CrankTracker::turned_in_gap(const Survivor& survivor) const {
  if (!steps_[survivor.tooth == 0 ? steps_.size() - 1 : static_cast<std::size_t>(survivor.tooth) - 1].confirms) {
    return false;
  }
  constexpr std::size_t teeth_seen = 6;  // two steps, the gap, two steps
  const std::vector<CrankMark> teeth = newest_teeth(teeth_seen);
  if (teeth.size() < teeth_seen || cycle_step_deg_[static_cast<std::size_t>(teeth[2].tooth)] != gap_deg_) {
    return false;
  }
  const auto step_deg = [&](std::size_t i) { return cycle_.between_deg(teeth[i].tooth, teeth[i + 1].tooth); };
  const auto dt_ns = [&](std::size_t i) { return static_cast<double>(teeth[i + 1].t_ns - teeth[i].t_ns); };
  // v^2 at the gap's side of the second step, of the first from the gap and the one beyond it; and its fall per degree.
  const auto squares = [&](std::size_t beside, std::size_t beyond) {
    const double v_beside = step_deg(beside) / dt_ns(beside);
    const double v_beyond = step_deg(beyond) / dt_ns(beyond);
    const double slope = (v_beyond * v_beyond - v_beside * v_beside) / ((step_deg(beside) + step_deg(beyond)) / 2);
    return std::pair(v_beside * v_beside - slope * step_deg(beside) / 2, slope);
  };
  const auto [before, falls] = squares(1, 0);
  const auto [after, rises] = squares(3, 4);
  const bool would_stand = falls * gap_deg_ > before;
  const bool comes_out_faster = rises > 0;
  const double on_a_line_ns = 2 * gap_deg_ / (std::sqrt(std::max(before, 0.0)) + std::sqrt(std::max(after, 0.0)));
  return would_stand && comes_out_faster && dt_ns(2) < on_a_line_ns;
}

// Whether the crank may have turned back unseen (the arithmetic stands at steady_log_ratio). A turn right after a tooth
// comes after a step at least 1.69 times as long as the one before; one further on makes the last interval at least 1.3
// times the step before it. Before a gap there is twice the room to turn in, and the limits are 1.5 and 1.25. All are
// taken lower here, since a compression slows the crank down ever more before it throws it back.
bool CrankTracker::may_turn_back(const Survivor& survivor) {
  constexpr double stops_at_once = 1.9;  // ratio 1.5: (1.5^2 - 1) * 1.5
  constexpr double stops_in_gap = 1.2;   // ratio 1.34
  constexpr double longer_step = 1.3;
  constexpr double still_slowing = 1.1;
  if (as_a_cycle_ago(survivor)) {
    suspect_ns_per_deg_ = 0;
    return false;
  }
  if (turned_in_gap(survivor)) {
    return true;
  }
  const bool slows_on = suspect_ns_per_deg_ > 0 && survivor.speed.ns_per_deg > still_slowing * suspect_ns_per_deg_;
  // A turn far into a gap: the gap takes much longer than the tooth before it lets expect.
  constexpr double much_longer = 1.5;
  const double before = last_slow_ns_per_deg_;
  last_slow_ns_per_deg_ = survivor.speed.ns_per_deg > slow_ns_per_deg_ ? survivor.speed.ns_per_deg : 0;
  if (before > 0 && survivor.speed.ns_per_deg > much_longer * before) {
    return true;
  }
  const double danger = stopping(survivor.speed);
  suspect_ns_per_deg_ = danger >= 1 ? survivor.speed.ns_per_deg : 0;
  const bool gap_ahead = next_step_deg(survivor) > longer_step * survivor.speed.last_step_deg;
  return slows_on || danger >= (gap_ahead ? stops_in_gap : stops_at_once);
}

}  // namespace cw
