#include "sync/crank_tracker.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <limits>
#include <utility>

#include "geometry/angle.hpp"

namespace cw {

namespace {

// The place is taken when, of the edges of at least a turn without a fault taken for teeth in a row, the next best place
// is e^-15 as likely. A wheel that never gives a turn without a fault is not locked on to.
constexpr double lock_margin = 15.0;
constexpr int lock_steps_min = 6;
// With few teeth a compression dip, which comes again every turn, can look more like the gap than the gap does.
constexpr int coarse_turns = 3;
constexpr double hopeless_pitch_deg = 36;
constexpr double coarse_lock_margin = 30.0;
// A crank that has just been thrown back turns backwards for up to two turns, with the same intervals.
constexpr int turns_after_turn_back = 3;

// An episode is decided after some clean teeth, when no other explanation is nearer than this.
constexpr int decided_steps = 3;
constexpr double decided_margin = 8.0;
constexpr double decided_margin_heavy = 16.0;
constexpr double heavy_dirt = 2.5;

// Below this a crank that is thrown back by compression may be about to turn; at 6 degrees a step, and with the square
// root of the step, since v^2 = 2 a s for the last steps before the turning point.
constexpr double turning_rpm_at_6_deg = 170.0;
// With uniform deceleration a, a crank that passes a tooth with speed v and turns back shows, in units of sqrt(step / a)
// and with y = v^2 / (a step), intervals of sqrt(y + 4) - sqrt(y + 2), sqrt(y + 2) - sqrt(y), and then 2 sqrt(y) until
// the same tooth passes backwards. A ratio of the first two below 1.22 means y > 3: the turn then looks like five or
// more missed teeth. So one or two missed teeth, or an edge too many, are believed only after a steady step.
constexpr double steady_log_ratio = 0.2;
constexpr int missed_when_slow_max = 2;
// Scatter of a tooth's place: 2.5 % of the pitch, at most 0.15 degrees, a rough wheel. Common practice, no source.
constexpr double pitch_error_share = 0.025;
constexpr double pitch_error_max_deg = 0.15;
// Below this a missed tooth beside the gap can pass for a dip in speed: its gap is then a third longer, and speed may
// change by as much as that over it.
constexpr double unsure_rpm = 1200;
// No crank is thrown back faster than compression can throw it.
constexpr double swing_back_rpm_max = 600.0;
constexpr double short_path_ratio_max = 1.25;
constexpr std::uint64_t no_mark = std::numeric_limits<std::uint64_t>::max();

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
    steps_.push_back({1 / step, std::min(short_path_ratio_max, to_missed), static_cast<std::int32_t>((i + 1) % count)});
  }
  gaps_per_repeat_ =
      static_cast<int>(std::count(cycle_step_deg_.begin(), cycle_step_deg_.begin() + cycle_.repeat_teeth, gap_deg_));
  for (std::size_t i = 0; i < count; ++i) {
    constexpr std::size_t teeth_after = 2;
    steps_[(i + teeth_after) % count].confirms = cycle_.repeat_teeth > 1 && cycle_step_deg_[i] == gap_deg_;
  }
  const double mean_step = cycle_.mean_step_deg();
  slow_ns_per_deg_ = ns_per_deg_at(turning_rpm_at_6_deg * std::sqrt(mean_step / 6.0));
  scatter_.edge_deg = std::min(pitch_error_max_deg, pitch_error_share * mean_step);
  const std::size_t kept = std::bit_ceil(std::max<std::size_t>(1024, 8 * count));
  mask_ = kept - 1;
  raw_.assign(kept, 0);
  marks_.assign(kept, {});
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

// ---- searching

CrankEvent CrankTracker::search(std::int64_t t_ns) {
  if (!search_begun_) {
    search_begun_ = true;
    places_.begin(t_ns);
    return CrankEvent::none;
  }
  places_.advance(t_ns, search_scatter());
  ns_per_deg_ = places_.longest().speed.ns_per_deg;
  // A crank that has just been thrown back turns backwards for up to two turns, with the same intervals.
  const int turns = may_run_backwards_ ? turns_after_turn_back : 1;
  if (judge_after_ > 0) {
    --judge_after_;
    return CrankEvent::none;
  }
  if (!worth_judging(places_, turns)) {
    return CrankEvent::none;
  }
  const std::optional<EdgeRow> row = certain_row(places_, turns);
  if (!row) {
    // All rows are compared no more often than some times a turn: edges of another wheel, or of noise, would keep it at
    // that for ever.
    constexpr int looks_a_turn = 12;
    judge_after_ = turn_teeth_ / looks_a_turn;
    return CrankEvent::none;
  }
  if (may_rejoin() && rejoin(*row)) {
    return CrankEvent::rejoined;
  }
  give_up_rejoin();
  take_lock(*row);
  return CrankEvent::acquired;
}

// Turns that a row must have gone, `turns` in the usual case.
int CrankTracker::turns_wanted(int turns) const {
  return too_coarse_to_tell() ? std::max(turns, coarse_turns) : turns;
}

// Two steps more than a turn: the gap is then seen with a tooth interval on either side. And from gap to gap: another
// wheel has other teeth between them.
bool CrankTracker::complete(const EdgeRow& row, int turns) const {
  return row.clean_steps >= std::max(lock_steps_min, turns * turn_teeth_ + 2) &&
         row.clean_deg >= std::max(turn_deg_, deg_per_rev) && row.gaps > turns * gaps_per_repeat_;
}

// Whether some row has gone so far that comparing them all may tell.
bool CrankTracker::worth_judging(const PlaceSearch& search, int turns) const {
  const bool hopeless = cycle_.mean_step_deg() > hopeless_pitch_deg && too_coarse_to_tell();
  const int wanted = turns_wanted(turns);
  return !hopeless && std::any_of(search.rows().begin(), search.rows().end(),
                                  [&](const EdgeRow& row) { return complete(row, wanted); });
}

// The row that is taken for true, when one is.
std::optional<EdgeRow> CrankTracker::certain_row(const PlaceSearch& search, int turns) const {
  constexpr std::size_t turns_compared = 6;
  const auto steps = std::min(static_cast<std::size_t>(search.longest().clean_steps),
                              turns_compared * (static_cast<std::size_t>(turn_teeth_) + 2));
  std::vector<std::int64_t> t_ns;
  for (std::size_t i = 0; i <= steps; ++i) {
    t_ns.push_back(raw_[(raw_count_ - 1 - steps + i) & mask_]);
  }
  const RowVerdict verdict = judge_rows(repeat_steps(), t_ns, scatter_);
  const EdgeRow& row = search.row_at(verdict.tooth);
  // What no row explains well is not this wheel: a right row costs less than half a unit a step.
  constexpr double cost_per_step_max = 0.9;
  const bool good = complete(row, turns_wanted(turns)) &&
                    verdict.cost <= cost_per_step_max * static_cast<double>(steps) &&
                    verdict.margin >= (too_coarse_to_tell() ? coarse_lock_margin : lock_margin);
  if (!good || stopping(row.speed) >= 1 || (may_run_backwards_ && running_out(row))) {
    return std::nullopt;
  }
  return row;
}

// With few teeth a compression dip, which comes again every turn, can look more like the gap than the gap does.
bool CrankTracker::too_coarse_to_tell() const {
  constexpr double coarse_pitch_deg = 18;
  constexpr double cranking_rpm_max = 350;
  const std::int64_t turn_ns = newest_ns() - raw_[(raw_count_ - 1 - static_cast<std::uint64_t>(turn_teeth_)) & mask_];
  return cycle_.repeat_teeth > 1 && cycle_.mean_step_deg() > coarse_pitch_deg &&
         static_cast<double>(turn_ns) > turn_teeth_ * cycle_.mean_step_deg() * ns_per_deg_at(cranking_rpm_max);
}

bool CrankTracker::running_out(const EdgeRow& row) const {
  return static_cast<std::uint64_t>(row.clean_steps) < 2 * static_cast<std::uint64_t>(turn_teeth_) ||
         turns_take_longer();
}

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

// For going a turn without a misfit, intervals may stray further than for comparing rows: a deep dip must not end a row.
ScatterModel CrankTracker::search_scatter() const {
  ScatterModel scatter = scatter_;
  scatter.slope_over = 0.6;
  return scatter;
}

std::span<const double> CrankTracker::repeat_steps() const {
  return std::span(cycle_step_deg_).first(static_cast<std::size_t>(cycle_.repeat_teeth));
}

void CrankTracker::take_lock(const EdgeRow& row) {
  const int count = static_cast<int>(cycle_.teeth.size());
  // All edges of the clean run are teeth in order: they become marks, so that what the cams said during the search
  // counts.
  // Not further back than the cams need: over many turns an edge too many may hide in a clean run of a coarse wheel.
  const std::uint64_t kept = std::min(mask_ / 2, 2 * static_cast<std::uint64_t>(turn_teeth_) + 2);
  const auto steps = static_cast<std::uint64_t>(row.clean_steps);
  const std::uint64_t back = std::min(steps, kept);
  first_mark_ = mark_count_;
  for (std::uint64_t i = 0; i <= back; ++i) {
    const std::int64_t t_ns = raw_[(raw_count_ - 1 - back + i) & mask_];
    const auto before = static_cast<int>((back - i) % static_cast<std::uint64_t>(count));
    marks_[mark_count_++ & mask_] = {t_ns, (row.tooth - before + count) % count};
  }
  for (std::uint64_t i = first_mark_; i < mark_count_; ++i) {
    note_step(i);
  }
  settled_ = mark_count_ - 1;
  confirmed_ = mark_count_;
  holding_ = false;
  ns_per_deg_ = row.speed.ns_per_deg;
  locked_ = true;
  may_run_backwards_ = false;
  on_short_path_ = true;
  audit_at_mark_ = 0;
  mixed_at_mark_ = 0;
  gaps_since_lock_ = 0;
  lock_mark_ = mark_count_;
  unsure_until_ = unsure_from_;
  if (cycle_.repeat_teeth > 1 && row.speed.ns_per_deg > ns_per_deg_at(unsure_rpm)) {
    // Among the last edges one too many may pass for a change of speed: the next gap tells.
    unsure_from_ = mark_count_ - std::min(mark_count_ - first_mark_, lag_marks);
    unsure_until_ = no_mark;
  }
  ratio_least_ = 1;
  ratio_most_ = 1;
  loss_reason_ = LossReason::none;
}

// A lost lock is found again when all edges since the last sure tooth are explained by a crank that went on forwards, with
// few faults, and lead to the tooth that the search has found by itself. A crank that was thrown back shows other numbers
// of teeth.
bool CrankTracker::rejoin(const EdgeRow& row) {
  if (raw_count_ > rejoin_until_edge_) {
    return false;
  }
  const std::uint64_t sure = mark_count_ - 1;
  begin_episode_at(sure);
  advance_episode(newest_ns());
  if (!explains_loss(row)) {
    return false;
  }
  faults_of_loss_.clear();  // all is explained anew
  rejoin_until_edge_ = 0;
  ns_per_deg_ = episode_start(sure).speed.ns_per_deg;
  commit_episode();
  audit_at_mark_ = 0;  // the search has just looked at the last turn by itself
  locked_ = true;
  may_run_backwards_ = false;
  reopened_ = false;
  loss_reason_ = LossReason::none;
  return true;
}

void CrankTracker::wait_for_rejoin(std::size_t faults_before) {
  constexpr std::uint64_t turns_max = 8;
  const auto turn = static_cast<std::uint64_t>(turn_teeth_) + 2;
  rejoin_until_edge_ = raw_count_ + std::min(mask_ / 2, turns_max * turn);
  const auto of_loss = faults_.begin() + static_cast<std::ptrdiff_t>(faults_before);
  faults_of_loss_.assign(of_loss, faults_.end());
  faults_.erase(of_loss, faults_.end());
}

void CrankTracker::give_up_rejoin() {
  rejoin_until_edge_ = 0;
  faults_.insert(faults_.end(), faults_of_loss_.begin(), faults_of_loss_.end());
  faults_of_loss_.clear();
}

bool CrankTracker::explains_loss(const EdgeRow& row) const {
  const Survivor& best = episode_.best();
  const int turn = std::max(lock_steps_min, turn_teeth_);
  return !best.misfit && !best.had_jump && best.tooth % cycle_.repeat_teeth == row.tooth && best.clean_steps >= turn &&
         episode_.rival_margin(newest_ns(), turn) >= decided_margin_heavy && believable(episode_.best_path());
}

// A crank that turns back and forth passes each tooth an even number of times more than it should. So one edge too many
// is a fault, two may be none; and an excursion never takes an edge away.
bool CrankTracker::believable(std::span<const PathNode> path) const {
  // Close beside its turning points even a crank that rocks passes two edges of a tooth within less than a step.
  constexpr double very_dense = 0.3;
  int extra = 0;
  int missed = 0;
  for (const PathNode& node : path) {
    extra += node.fault == ToothFault::extra ? 1 : 0;
    missed += node.missed;
  }
  return !nearly_stood(path) &&
         (dense_burst(very_dense) ? missed <= missed_run_max : missed <= missed_when_slow_max && extra <= 1);
}

// Whether the crank would have been much slower somewhere than on the whole: then it stood, or the signal was away.
bool CrankTracker::nearly_stood(std::span<const PathNode> path) const {
  constexpr double share_of_mean = 1.0 / 3;  // of the published cranking record the least is 85/150
  const CrankMark from = marks_[(mark_count_ - 1) & mask_];
  CrankMark last = from;
  double turned_deg = 0;
  double slowest_ns_per_deg = 0;
  for (const PathNode& node : path) {
    if (node.fault == ToothFault::extra) {
      continue;
    }
    const double step_deg = cycle_.between_deg(last.tooth, node.tooth);
    turned_deg += step_deg;
    slowest_ns_per_deg = std::max(slowest_ns_per_deg, static_cast<double>(node.t_ns - last.t_ns) / step_deg);
    last = {node.t_ns, node.tooth};
  }
  const double mean_ns_per_deg = static_cast<double>(last.t_ns - from.t_ns) / std::max(turned_deg, 1.0);
  return slowest_ns_per_deg * share_of_mean > mean_ns_per_deg;
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

// Fast, the next tooth needs no memory to be foretold.
void CrankTracker::advance_episode(std::int64_t t_ns) {
  const bool slow = episode_.best().speed.ns_per_deg > ns_per_deg_at(unsure_rpm);
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
  episode_.begin(episode_start(mark_index));
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
void CrankTracker::confirm_gap() {
  constexpr std::uint64_t teeth_since_gap = 3;
  holding_ = false;
  confirmed_ = std::max(confirmed_, mark_count_ - std::min(mark_count_, teeth_since_gap));
  // The gap that the lock was taken at is no news.
  if (mark_count_ > lock_mark_ + teeth_since_gap) {
    ++gaps_since_lock_;
    unsure_until_ = std::min(unsure_until_, mark_count_);
  }
  hold_if_slow();
}

void CrankTracker::hold_if_slow() {
  constexpr double hold_rpm = unsure_rpm;
  constexpr int teeth_min = 6;
  const bool slow = ns_per_deg_ > ns_per_deg_at(hold_rpm);
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

// Whether some interval of this episode is so long that the crank may have turned back in it or beside it, whatever the
// edges are taken for: thrown back with the deceleration a, one of the intervals takes at least 0.93 sqrt(step / a).
bool CrankTracker::could_stop() const {
  constexpr double slowing_deg_s2 = 40'000;  // simulated engines: 12,000 to 30,000
  constexpr double least_interval = 0.93;
  const double slow_ns = least_interval * std::sqrt(cycle_.mean_step_deg() / slowing_deg_s2) * 1e9;
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
  for (int i = 0; i <= missed_when_slow_max; ++i) {
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

bool CrankTracker::unsettled(const Survivor& survivor) const {
  // So slow, speed changes enough from tooth to tooth to pass for a missed tooth or to hide one.
  constexpr double settled_rpm = unsure_rpm;
  const bool slow_fault =
      (survivor.had_extra || survivor.had_missed) && survivor.speed.ns_per_deg > ns_per_deg_at(settled_rpm);
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
  return episode_.rival_margin(t_ns) >= (heavy ? decided_margin_heavy : decided_margin);
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
  if (survivor.missed_run > missed_when_slow_max &&
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
  for (const PathNode& node : episode_.best_path()) {
    odd.extra += node.fault == ToothFault::extra ? 1 : 0;
    odd.missed += node.missed;
    clean = node.fault == ToothFault::none ? clean + 1 : 0;
    const CrankMark before = marks_[(mark_count_ - 1) & mask_];
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
  if (!odd.mixed() && faults < (turn_teeth_ < few_teeth ? 1 : many)) {
    return;
  }
  const bool joined = from_mark <= unsure_until_ + static_cast<std::uint64_t>(turn_teeth_);
  unsure_from_ = joined ? std::min(unsure_from_, from_mark) : from_mark;
  const bool borne_out = cycle_.repeat_teeth == 1 || unsettled(episode_.best());
  unsure_until_ = borne_out ? mark_count_ : no_mark;
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
  const double tooth_ns = share_of_step * least_deg * episode_.best().speed.ns_per_deg;
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

// Looks at the edges of the last turn as if nothing were known. True when they are certain of another place.
bool CrankTracker::contradicted() const {
  const auto turn = static_cast<std::uint64_t>(turn_teeth_);
  const std::uint64_t wanted = turn + turn / 4 + 4;
  const std::uint64_t count = std::min({wanted, raw_count_ - 1, mask_});
  PlaceSearch fresh(repeat_steps());
  fresh.begin(raw_[(raw_count_ - 1 - count) & mask_]);
  for (std::uint64_t i = raw_count_ - count; i < raw_count_; ++i) {
    fresh.advance(raw_[i & mask_], search_scatter());
  }
  if (!worth_judging(fresh, 1)) {
    return false;
  }
  const CrankMark& here = marks_[(mark_count_ - 1) & mask_];
  const std::optional<EdgeRow> row = certain_row(fresh, 1);
  return row && row->tooth != here.tooth % cycle_.repeat_teeth;
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
