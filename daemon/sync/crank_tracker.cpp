#include "sync/crank_tracker.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <limits>
#include <utility>

#include "geometry/angle.hpp"
#include "sync/crank_limits.hpp"
#include "sync/ring.hpp"

namespace cw {

namespace {

// An episode is decided after some clean teeth, when no other explanation is nearer than this.
constexpr int decided_steps = 3;
constexpr double decided_margin = 8.0;
constexpr double heavy_dirt = 2.5;

// Below this a crank that is thrown back by compression may be about to turn; at 6 degrees a step, and with the square
// root of the step, since v^2 = 2 a s for the last steps before the turning point.
constexpr double turning_rpm_at_6_deg = 170.0;
// Two teeth after the gap that it turned back in, a crank may be that much faster again, in ns per degree.
constexpr double near_turning_share = 0.65;
// Scatter of a tooth's place: 2.5 % of the pitch, at most 0.15 degrees, a rough wheel. Common practice, no source.
constexpr double pitch_error_share = 0.025;
constexpr double pitch_error_max_deg = 0.15;
// No crank is thrown back faster than compression can throw it.
constexpr double swing_back_rpm_max = 600.0;

}  // namespace

std::string_view to_string(LossReason reason) {
  switch (reason) {
    case LossReason::none:
      return "none";
    case LossReason::ambiguous:
      return "several positions explain the edges about equally well";
    case LossReason::nothing_fits:
      return "no position explains the edges";
    case LossReason::nearly_stopped:
      return "the crank nearly stopped and may have turned back";
    case LossReason::contradicted:
      return "the last turns alone say another position";
    case LossReason::signal_stopped:
      return "the crank signal stopped";
    case LossReason::input_lost:
      return "edges were lost on the way in";
    case LossReason::count_unsure:
      return "teeth may have been miscounted and the wheel has no gap to show it";
  }
  return "unknown";
}

CrankTracker::CrankTracker(const ToothCycle& cycle)
    : cycle_(cycle),
      cycle_step_deg_(cycle.steps_deg(static_cast<int>(cycle.teeth.size()))),
      gap_deg_(*std::max_element(cycle_step_deg_.begin(), cycle_step_deg_.end())),
      places_(repeat_steps()),
      episode_(cycle_step_deg_),
      past_(cycle.teeth.size()) {
  const std::size_t count = cycle_.teeth.size();
  turn_deg_ = cycle_.cycle_deg / cycle_.places();
  turn_teeth_ = std::max(cycle_.repeat_teeth,
                         static_cast<int>(std::lround(static_cast<double>(count) * deg_per_rev / cycle_.cycle_deg)));
  for (std::size_t i = 0; i < count; ++i) {
    const double step = cycle_step_deg_[i];
    const double following = cycle_step_deg_[(i + 1) % count];
    // Half way, in ratio, to the same step with the next tooth missed.
    const double to_missed = std::sqrt(1 + following / step);
    steps_.push_back({1 / step, std::min(crank_limits::next_tooth_ratio_max, to_missed),
                      static_cast<std::int32_t>((i + 1) % count)});
  }
  gaps_per_repeat_ =
      static_cast<int>(std::count(cycle_step_deg_.begin(), cycle_step_deg_.begin() + cycle_.repeat_teeth, gap_deg_));
  for (std::size_t i = 0; i < count; ++i) {
    constexpr std::size_t teeth_after = 2;
    steps_[(i + teeth_after) % count].confirms = cycle_.repeat_teeth > 1 && cycle_step_deg_[i] == gap_deg_;
  }
  for (std::size_t i = count; i-- > 0;) {
    steps_[i].run = i + 1 == count || steps_[i].confirms ? 1 : steps_[i + 1].run + 1;
  }
  const double mean_step = cycle_.mean_step_deg();
  slow_ns_per_deg_ = ns_per_deg_at(turning_rpm_at_6_deg * std::sqrt(mean_step / 6.0));
  // Between teeth that lie far apart, speed does what a look at two steps can't say: never.
  near_turning_ns_per_deg_ = mean_step < crank_limits::coarse_pitch_deg ? near_turning_share * slow_ns_per_deg_
                                                                        : std::numeric_limits<double>::infinity();
  scatter_.edge_deg = std::min(pitch_error_max_deg, pitch_error_share * mean_step);
  const std::size_t kept = std::bit_ceil(std::max<std::size_t>(1024, 8 * count));
  mask_ = kept - 1;
  raw_.assign(kept, 0);
  marks_.assign(kept, {});
}

std::size_t CrankTracker::take_plain(std::span<const std::int64_t> t_ns) {
  const double slow_ns_per_deg = std::min(slow_ns_per_deg_, ns_per_deg_at(crank_limits::unsure_rpm));
  // What changes from edge to edge, at hand.
  CrankMark last = marks_[(mark_count_ - 1) & mask_];
  double ns_per_deg = ns_per_deg_;
  double ratio_most = ratio_most_;
  double ratio_least = ratio_least_;
  std::size_t taken = 0;
  for (bool plain = true; plain && taken < t_ns.size();) {
    // In one run as far as neither teeth nor marks begin again at the front of their list, and no gap is confirmed.
    const Step* step = &steps_[static_cast<std::size_t>(last.tooth)];
    CrankMark* mark = &marks_[mark_count_ & mask_];
    const std::size_t run = std::min({t_ns.size() - taken, step->run, marks_.size() - (mark_count_ & mask_)});
    for (const std::int64_t now_ns : t_ns.subspan(taken, run)) {
      const double now_ns_per_deg = static_cast<double>(now_ns - last.t_ns) * step->per_deg;
      if (!(now_ns_per_deg < ns_per_deg * step->most && now_ns_per_deg * step->most > ns_per_deg &&
            now_ns_per_deg < slow_ns_per_deg)) {
        plain = false;
        break;
      }
      const double ratio = now_ns_per_deg / ns_per_deg;
      ratio_most = ratio > ratio_most ? ratio : ratio_most;
      ratio_least = ratio < ratio_least ? ratio : ratio_least;
      ns_per_deg = now_ns_per_deg;
      last = {now_ns, step->next};
      *mark++ = last;
      ++step;
    }
    const auto in_run = static_cast<std::size_t>(mark - &marks_[mark_count_ & mask_]);
    taken += in_run;
    mark_count_ += in_run;
    if (in_run > 0 && step[-1].confirms) {
      note_gap(mark_count_);  // and nothing is to be held so fast
    }
  }
  add_to_ring(raw_, raw_count_, t_ns.first(taken));
  raw_count_ += taken;
  ns_per_deg_ = ns_per_deg;
  ratio_most_ = ratio_most;
  ratio_least_ = ratio_least;
  return taken;
}

CrankEvent CrankTracker::edge_off_short_path(std::int64_t t_ns) {
  if (!locked_) {
    return search(t_ns);
  }
  if (on_short_path_) {
    open_episode();
  }
  return continue_episode(t_ns);
}

// ---- locked

Survivor CrankTracker::episode_start(std::uint64_t mark_index) const {
  Survivor start;
  start.tooth = marks_[mark_index & mask_].tooth;
  start.t_ns = marks_[mark_index & mask_].t_ns;
  start.speed = {ns_per_deg_, cycle_step_deg_[static_cast<std::size_t>(start.tooth)], 0};
  // Speed and trend from the two steps before, where there are any.
  const std::uint64_t steps = std::min<std::uint64_t>(2, mark_index - first_mark_);
  SpeedState speed;
  for (std::uint64_t i = mark_index - steps; i < mark_index; ++i) {
    const CrankMark& from = marks_[i & mask_];
    const CrankMark& to = marks_[(i + 1) & mask_];
    const double angle_deg = cycle_.between_deg(from.tooth, to.tooth);
    const auto dt_ns = static_cast<double>(to.t_ns - from.t_ns);
    speed = follow(speed, angle_deg, dt_ns, fit_step(speed, angle_deg, dt_ns, scatter_));
    start.speed = speed;
  }
  return start;
}

void CrankTracker::open_episode() {
  on_short_path_ = false;
  reopened_ = false;
  const std::uint64_t floor = std::max(settled_, first_mark_ + 1) - 1;
  const std::uint64_t newest = mark_count_ - 1;
  begin_episode_at(newest - std::min(lag_marks, newest - std::min(newest, floor)));
}

// Fast, the next tooth needs no memory to be foretold. A single step, as to a tooth out of its place, doesn't make it fast.
void CrankTracker::advance_episode(std::int64_t t_ns) {
  const double slower = std::max(episode_start_ns_per_deg_, episode_.best().speed.ns_per_deg);
  const bool slow = slower > ns_per_deg_at(crank_limits::unsure_rpm);
  episode_.advance(t_ns, scatter_, slow ? &past_ : nullptr, episode_from_);
}

// Remembers the step that ends at this mark; it and the one before must be of teeth in a row.
void CrankTracker::note_step(std::uint64_t mark_index) {
  if (mark_index < first_mark_ + 2) {
    return;
  }
  const CrankMark& a = marks_[(mark_index - 2) & mask_];
  const CrankMark& b = marks_[(mark_index - 1) & mask_];
  const CrankMark& c = marks_[mark_index & mask_];
  const auto in_a_row = [this](const CrankMark& from, const CrankMark& to) {
    return steps_[static_cast<std::size_t>(from.tooth)].next == to.tooth && to.t_ns > from.t_ns;
  };
  if (in_a_row(a, b) && in_a_row(b, c)) {
    const auto ns_per_deg = [this](const CrankMark& from, const CrankMark& to) {
      return static_cast<double>(to.t_ns - from.t_ns) / cycle_step_deg_[static_cast<std::size_t>(from.tooth)];
    };
    past_.note(b.tooth, ns_per_deg(b, c), ns_per_deg(a, b), mark_index);
  }
}

// Starts at a mark and replays the edges since then, without the newest, which the caller adds.
void CrankTracker::begin_episode_at(std::uint64_t mark_index) {
  const std::int64_t start_ns = marks_[mark_index & mask_].t_ns;
  const Survivor start = episode_start(mark_index);
  episode_.begin(start);
  episode_start_ns_per_deg_ = start.speed.ns_per_deg;
  mark_count_ = mark_index + 1;
  episode_from_ = mark_count_;
  settled_ = std::max(std::min(settled_, mark_count_), first_mark_);
  std::uint64_t raw = raw_count_ - 1;
  const std::uint64_t oldest = raw_count_ > mask_ ? raw_count_ - mask_ : 0;
  while (raw > oldest && raw_[(raw - 1) & mask_] > start_ns) {
    --raw;
  }
  for (; raw < raw_count_ - 1; ++raw) {
    advance_episode(raw_[raw & mask_]);
  }
}

// Something is wrong since the last good gap, and may have begun earlier than it shows: all edges since are explained anew.
void CrankTracker::reopen_from_gap() {
  reopened_ = true;
  begin_episode_at(std::max(confirmed_, first_mark_ + 1) - 1);
  advance_episode(newest_ns());
}

// What stands before the gap is confirmed by it; the gap itself, with the teeth next to it, only by the next one: a missed
// tooth beside it makes it longer by no more than a dip in speed may.
void CrankTracker::note_gap(std::uint64_t marks_end) {
  constexpr std::uint64_t teeth_since_gap = 3;
  holding_ = false;
  confirmed_ = std::max(confirmed_, marks_end - std::min(marks_end, teeth_since_gap));
  // The gap that the lock was taken at is no news.
  if (marks_end > lock_mark_ + teeth_since_gap) {
    ++gaps_since_lock_;
    unsure_until_ = std::min(unsure_until_, marks_end);
  }
}

void CrankTracker::confirm_gap() {
  note_gap(mark_count_);
  hold_if_slow();
}

void CrankTracker::hold_if_slow() {
  constexpr int teeth_min = 6;
  const bool slow = ns_per_deg_ > ns_per_deg_at(crank_limits::unsure_rpm);
  if (slow && !holding_ && cycle_.repeat_teeth > 1 && turn_teeth_ >= teeth_min) {
    confirmed_ = std::max(confirmed_, said_);
    holding_ = true;
  }
}

CrankEvent CrankTracker::continue_episode(std::int64_t t_ns) {
  if (stalled(t_ns)) {
    return lose(LossReason::nearly_stopped, t_ns);
  }
  advance_episode(t_ns);
  ns_per_deg_ = episode_.best().speed.ns_per_deg;
  hold_if_slow();
  if (holding_ && !reopened_ && fault_now(episode_.best())) {
    reopen_from_gap();
    ns_per_deg_ = episode_.best().speed.ns_per_deg;
  }
  const bool suspect = suspect_ns_per_deg_ > 0 || slow_interval();
  if (suspect && fault_now(episode_.best()) && !as_a_cycle_ago(episode_.best())) {
    return lose(LossReason::nearly_stopped, t_ns);
  }
  if (const LossReason reason = episode_hopeless(t_ns); reason != LossReason::none) {
    return lose(reason, t_ns);
  }
  if (episode_.best().clean_steps == decided_steps && unsettled(episode_.best()) && gap_out_of_place()) {
    return lose(LossReason::contradicted, t_ns);
  }
  if (may_turn_back(episode_.best()) && !doubted_) {
    // Held, but nothing is said of it until a whole turn has confirmed the place.
    doubted_ = true;
    doubted_at_edge_ = raw_count_;
    return CrankEvent::doubted;
  }
  if (!episode_decided(t_ns) || (doubted_ && turns_take_longer())) {
    return CrankEvent::none;
  }
  if (doubted_ && !believable(episode_.best_path())) {
    return lose(LossReason::nearly_stopped, t_ns);
  }
  const bool odd_edges = episode_.best().had_extra || episode_.best().had_missed;
  if (holding_ && !reopened_ && odd_edges) {
    reopen_from_gap();
    return CrankEvent::none;  // the next edge decides
  }
  if (gap_out_of_place()) {
    return lose(LossReason::contradicted, t_ns);
  }
  doubted_ = false;
  suspect_ns_per_deg_ = 0;
  const OddEdges odd = commit_episode();
  if (mixed_again(odd)) {
    return lose(LossReason::contradicted, t_ns);
  }
  const bool due = audit_at_mark_ != 0 && mark_count_ >= audit_at_mark_;
  audit_at_mark_ = due ? 0 : audit_at_mark_;
  if ((odd.mixed() || due) && contradicted()) {
    return lose(LossReason::contradicted, t_ns);
  }
  return CrankEvent::resolved;
}

bool CrankTracker::unsettled(const Survivor& survivor) const {
  // So slow, speed changes enough from tooth to tooth to pass for a missed tooth or to hide one.
  const bool slow_fault = (survivor.had_extra || survivor.had_missed) &&
                          survivor.speed.ns_per_deg > ns_per_deg_at(crank_limits::unsure_rpm);
  const bool both = survivor.had_extra && survivor.had_missed;
  return (doubted_ || survivor.had_jump || both || slow_fault) && cycle_.repeat_teeth > 1;
}

bool CrankTracker::episode_decided(std::int64_t t_ns) const {
  const Survivor& best = episode_.best();
  // A whole turn; after a doubt one that has come since, not the teeth before it explained once more.
  const auto turn = static_cast<std::uint64_t>(turn_teeth_) + 2;
  if (best.clean_steps >= static_cast<int>(turn) && (!doubted_ || raw_count_ >= doubted_at_edge_ + turn)) {
    return true;
  }
  // Where a place could be off by a tooth, the next gap tells.
  if (unsettled(best)) {
    constexpr int steps_after_gap = 2;
    return !doubted_ && best.steps_since_gap >= steps_after_gap;
  }
  if (best.clean_steps < decided_steps) {
    return false;
  }
  if (!best.had_extra && !best.had_missed && !best.had_jump && !best.misfit) {
    // Nothing but the expected teeth, only at another speed; where the last came at an odd time the next must tell
    // whether it was one.
    constexpr double odd_cost = 2.0;
    return best.step_cost < odd_cost;
  }
  const bool heavy = best.dirt > heavy_dirt;
  return episode_.rival_margin(t_ns) >= (heavy ? crank_limits::decided_margin_heavy : decided_margin);
}

LossReason CrankTracker::episode_hopeless(std::int64_t t_ns) const {
  const Survivor& best = episode_.best();
  if (may_have_turned(best) || (doubted_ && cycle_.repeat_teeth == 1)) {
    return LossReason::nearly_stopped;
  }
  double reach_deg = 0;
  auto tooth = static_cast<std::size_t>(best.tooth);
  for (int i = 0; i <= missed_run_max; ++i) {
    reach_deg += cycle_step_deg_[tooth];
    tooth = (tooth + 1) % cycle_step_deg_.size();
  }
  constexpr double slack = 1.5;
  if (static_cast<double>(t_ns - best.t_ns) > slack * reach_deg * best.speed.ns_per_deg) {
    return could_stop() ? LossReason::nearly_stopped : LossReason::nothing_fits;
  }
  const auto edges_max = 2 * static_cast<std::size_t>(turn_teeth_) + 64;
  return episode_.edges() > edges_max ? LossReason::ambiguous : LossReason::none;
}

bool CrankTracker::fault_now(const Survivor& survivor) const {
  constexpr double some_dirt = 0.5;
  return survivor.extra_run > 0 || (survivor.clean_steps == 0 && survivor.dirt > some_dirt);
}

// Whether an explanation needs a fault within or beside the gap.
bool CrankTracker::fault_at_gap(int from_tooth, const PathNode& node) const {
  auto tooth = static_cast<std::size_t>(from_tooth);
  bool gap = cycle_step_deg_[tooth] == gap_deg_;
  for (int i = 0; i < node.missed; ++i) {
    tooth = (tooth + 1) % cycle_step_deg_.size();
    gap = gap || cycle_step_deg_[tooth] == gap_deg_;
  }
  return gap && node.fault != ToothFault::none && cycle_.repeat_teeth > 1;
}

// Faults at the gap, after others and a clean stretch: then the place was lost at those, and the gap says so. Just after
// a lock was taken, an odd edge among the last that it was taken on shows like that.
bool CrankTracker::gap_out_of_place() const {
  bool fault_before = gaps_since_lock_ == 0 && holding_;
  bool fault_last = false;
  int clean_since = fault_before ? decided_steps : 0;
  int clean_before = 0;  // steps between the faults before and those looked at
  int tooth = marks_[(mark_count_ - 1) & mask_].tooth;
  for (const PathNode& node : episode_.best_path()) {
    const bool fault = node.fault != ToothFault::none;
    clean_before = fault && !fault_last ? clean_since : clean_before;
    if (fault_before && clean_before >= decided_steps && fault_at_gap(tooth, node)) {
      return true;
    }
    fault_before = fault_before || (fault_last && !fault);
    clean_since = fault ? 0 : clean_since + 1;
    fault_last = fault;
    tooth = node.tooth;
  }
  return false;
}

CrankTracker::OddEdges CrankTracker::commit_episode() {
  OddEdges odd;
  int clean = 0;
  const std::uint64_t from_mark = mark_count_;
  uneven_step_ = false;
  if (mark_count_ > first_mark_ + 1) {
    // What the episode made of the speed is of its end.
    const CrankMark& from = marks_[(mark_count_ - 2) & mask_];
    const CrankMark& to = marks_[(mark_count_ - 1) & mask_];
    ns_per_deg_ = static_cast<double>(to.t_ns - from.t_ns) / cycle_.between_deg(from.tooth, to.tooth);
  }
  for (const PathNode& node : episode_.best_path()) {
    odd.extra += node.fault == ToothFault::extra ? 1 : 0;
    odd.missed += node.missed;
    clean = node.fault == ToothFault::none ? clean + 1 : 0;
    const CrankMark before = marks_[(mark_count_ - 1) & mask_];
    uneven_step_ = uneven_step_ || uneven(node, before, from_mark);
    odd.at_gap = odd.at_gap || fault_at_gap(before.tooth, node);
    commit_node(node);
    if (clean > 0 && steps_[static_cast<std::size_t>(before.tooth)].confirms) {
      confirm_gap();
    }
  }
  settled_ = mark_count_;
  on_short_path_ = true;
  note_unsure(odd, from_mark);
  if (odd.extra + odd.missed > 0) {
    // Look again when a whole turn after the fault has been seen, by itself.
    const auto turn = static_cast<std::uint64_t>(turn_teeth_);
    const std::uint64_t wait = turn + turn / 4 + 4;
    audit_at_mark_ = audit_at_mark_ == 0 ? mark_count_ + wait : audit_at_mark_;
  }
  return odd;
}

// Many odd edges, or on few teeth any: from the first on the place is an explanation until the next gap bears it out.
void CrankTracker::note_unsure(const OddEdges& odd, std::uint64_t from_mark) {
  constexpr int many = 3;
  constexpr int few_teeth = 8;
  const int faults = odd.extra + odd.missed;
  // On a slow crank a tooth missed beside the gap may as well have been missed on its other side, a turn later.
  const bool gap_unsure = odd.at_gap && ns_per_deg_ > ns_per_deg_at(crank_limits::unsure_rpm);
  if (!odd.mixed() && !gap_unsure && faults < (turn_teeth_ < few_teeth ? 1 : many)) {
    return;
  }
  const bool open = unsure_until_ == crank_limits::no_mark;
  const bool joined = open || from_mark <= unsure_until_ + static_cast<std::uint64_t>(turn_teeth_);
  unsure_from_ = joined ? std::min(unsure_from_, from_mark) : from_mark;
  const bool borne_out = cycle_.repeat_teeth == 1 || unsettled(episode_.best());
  unsure_until_ = borne_out ? mark_count_ : crank_limits::no_mark;
}

// Whether edges both missed and too many were needed twice within little more than a turn: what a place that is off by a
// tooth makes of the gap.
bool CrankTracker::mixed_again(const OddEdges& odd) {
  if (!odd.mixed() || cycle_.repeat_teeth == 1) {
    return false;
  }
  const auto turn = static_cast<std::uint64_t>(turn_teeth_);
  const bool again = mixed_at_mark_ > 0 && mark_count_ <= mixed_at_mark_ + turn + turn / 4;
  mixed_at_mark_ = mark_count_;
  return again;
}

bool CrankTracker::uneven(const PathNode& node, const CrankMark& before, std::uint64_t from_mark) const {
  constexpr double log_ratio_max = 0.45;  // an edge half way between two teeth makes it ln 2
  constexpr double repeats_within = 0.25;
  if (cycle_.repeat_teeth > 1 || node.fault != ToothFault::none ||
      ns_per_deg_ < ns_per_deg_at(crank_limits::unsure_rpm)) {
    return false;
  }
  const double step_deg = cycle_.between_deg(before.tooth, node.tooth);
  const double log_ratio = std::log(static_cast<double>(node.t_ns - before.t_ns) / (step_deg * ns_per_deg_));
  const std::optional<double> past = past_.log_ratio(before.tooth, from_mark);
  return std::fabs(log_ratio) > log_ratio_max && !(past && std::fabs(log_ratio - *past) < repeats_within);
}

void CrankTracker::commit_node(const PathNode& node) {
  const CrankMark last = marks_[(mark_count_ - 1) & mask_];
  add_fault(node, last);
  if (node.fault == ToothFault::extra) {
    return;
  }
  const double ns_per_deg = static_cast<double>(node.t_ns - last.t_ns) / cycle_.between_deg(last.tooth, node.tooth);
  if (node.fault == ToothFault::none && ns_per_deg_ > 0) {
    const double ratio = ns_per_deg / ns_per_deg_;
    ratio_most_ = std::max(ratio_most_, ratio);
    ratio_least_ = std::min(ratio_least_, ratio);
  }
  marks_[mark_count_++ & mask_] = {node.t_ns, node.tooth};
  note_step(mark_count_ - 1);
  ns_per_deg_ = node.fault == ToothFault::jump ? ns_per_deg_ : ns_per_deg;
}

void CrankTracker::add_fault(const PathNode& node, const CrankMark& last) {
  const double last_deg = cycle_.teeth[static_cast<std::size_t>(last.tooth)].wheel_deg;
  const auto dt_ns = static_cast<double>(node.t_ns - last.t_ns);
  if (node.fault == ToothFault::extra || node.fault == ToothFault::jump) {
    const double step_deg = cycle_step_deg_[static_cast<std::size_t>(last.tooth)];
    const double at_deg = wrap_deg(last_deg + std::min(dt_ns / ns_per_deg_, step_deg), cycle_.cycle_deg);
    faults_.push_back({node.fault, node.t_ns, last.tooth, at_deg, rpm_at(ns_per_deg_), node.jump_deg});
  }
  const double ns_per_deg = dt_ns / cycle_.between_deg(last.tooth, node.tooth);
  auto tooth = static_cast<std::size_t>(last.tooth);
  for (int i = 0; i < node.missed; ++i) {
    tooth = (tooth + 1) % cycle_.teeth.size();
    const double along_deg = cycle_.between_deg(last.tooth, static_cast<int>(tooth));
    faults_.push_back({ToothFault::missed, last.t_ns + std::llround(along_deg * ns_per_deg), static_cast<int>(tooth),
                       cycle_.teeth[tooth].wheel_deg, rpm_at(ns_per_deg), 0});
  }
}

// The episode ends in a loss. What clean teeth followed is kept; of what came last, only that a burst was a burst: which
// teeth were missed in it is not known.
void CrankTracker::keep_faults() {
  constexpr std::size_t burst_min = 3;
  CrankMark last = marks_[(mark_count_ - 1) & mask_];
  std::size_t kept = faults_.size();
  int clean = 0;
  for (const PathNode& node : episode_.best_path()) {
    clean = node.fault == ToothFault::none ? clean + 1 : 0;
    add_fault(node, last);
    if (node.fault != ToothFault::extra) {
      ns_per_deg_ = static_cast<double>(node.t_ns - last.t_ns) / cycle_.between_deg(last.tooth, node.tooth);
      last = {node.t_ns, node.tooth};
    }
    kept = clean == decided_steps ? faults_.size() : kept;
  }
  const auto open = faults_.begin() + static_cast<std::ptrdiff_t>(kept);
  const auto not_extra =
      std::stable_partition(open, faults_.end(), [](const CrankFault& f) { return f.kind == ToothFault::extra; });
  const bool burst = static_cast<std::size_t>(not_extra - open) >= burst_min && dense_burst();
  faults_.erase(burst ? not_extra : open, faults_.end());
}

// Whether edges came much faster than teeth can: a crank that swings back over its teeth never looks like that.
bool CrankTracker::dense_burst(double share_of_step) const {
  constexpr int burst_min = 3;
  const double least_deg = *std::min_element(cycle_step_deg_.begin(), cycle_step_deg_.end());
  // About to stand, it takes so long for a step that even swinging to and fro gives edges as near.
  const double ns_per_deg = std::min(episode_.best().speed.ns_per_deg, 2 * slow_ns_per_deg_);
  const double tooth_ns = share_of_step * least_deg * ns_per_deg;
  int dense = 0;
  std::int64_t before_ns = marks_[(mark_count_ - 1) & mask_].t_ns;
  for (const PathNode& node : episode_.best_path()) {
    dense += node.fault == ToothFault::extra && static_cast<double>(node.t_ns - before_ns) < tooth_ns ? 1 : 0;
    before_ns = node.t_ns;
  }
  return dense >= burst_min;
}

// The tooth before the first fault of the episode that no clean stretch has followed.
SurePlace CrankTracker::last_sure() const {
  const CrankMark& newest = marks_[(mark_count_ - 1) & mask_];
  SurePlace sure{newest.t_ns, newest.tooth};
  if (!in_episode()) {
    return sure;
  }
  SurePlace reached = sure;
  int clean = decided_steps;
  for (const PathNode& node : episode_.best_path()) {
    clean = node.fault == ToothFault::none ? clean + 1 : 0;
    reached = node.fault == ToothFault::extra ? reached : SurePlace{node.t_ns, node.tooth};
    sure = clean >= decided_steps ? reached : sure;
  }
  return sure;
}

CrankEvent CrankTracker::lose(LossReason reason, std::int64_t t_ns) {
  const bool slow = ns_per_deg_ > ns_per_deg_at(swing_back_rpm_max);
  const bool open = reason == LossReason::nearly_stopped || reason == LossReason::ambiguous;
  const std::size_t faults_before = faults_.size();
  drop(reason);
  constexpr std::uint64_t marks_min = 2;
  if (open && mark_count_ >= first_mark_ + marks_min) {
    wait_for_rejoin(faults_before);
  }
  may_run_backwards_ = slow;
  search_begun_ = true;
  places_.begin(t_ns);
  return CrankEvent::lost;
}

void CrankTracker::drop(LossReason reason) {
  if (locked_) {
    loss_place_ = last_sure();
  }
  give_up_rejoin();
  loss_ns_per_deg_ = ns_per_deg_;
  if (in_episode()) {
    const bool swing = reason == LossReason::nearly_stopped || doubted_ || could_stop();
    if (!swing || dense_burst()) {
      keep_faults();
    }
  }
  locked_ = false;
  may_run_backwards_ = false;
  on_short_path_ = false;
  search_begun_ = false;
  audit_at_mark_ = 0;
  doubted_ = false;
  suspect_ns_per_deg_ = 0;
  loss_reason_ = reason;
  ns_per_deg_ = 0;
  settled_ = std::min(settled_, mark_count_);
  mark_count_ = final_marks();
}

double CrankTracker::next_interval_ns() const {
  if (ns_per_deg_ <= 0) {
    return 0;
  }
  const double step_deg = locked_ ? cycle_step_deg_[static_cast<std::size_t>(marks_[(mark_count_ - 1) & mask_].tooth)]
                                  : cycle_.mean_step_deg();
  return step_deg * ns_per_deg_;
}

std::vector<CrankFault> CrankTracker::take_faults() {
  return std::exchange(faults_, {});
}

CrankTracker::RatioRange CrankTracker::take_ratios() {
  const RatioRange range{ratio_least_, ratio_most_};
  ratio_least_ = 1;
  ratio_most_ = 1;
  return range;
}
}  // namespace cw
