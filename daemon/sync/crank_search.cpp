// How CrankTracker finds the place, from nothing or again after a loss.
#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"
#include "sync/crank_limits.hpp"
#include "sync/crank_tracker.hpp"

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
// What a ripple in speed does to the intervals it does again each turn, so more turns tell no more of it: where teeth lie
// as far apart as ripple is long, one repeat of the pattern, by itself, must be surer than this.
constexpr double repeat_margin = 10.0;
// A crank that has just been thrown back turns backwards for up to two turns, with the same intervals.
constexpr int turns_after_turn_back = 3;

}  // namespace

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
                    verdict.margin >= lock_margin_wanted(steps);
  if (!good || stopping(row.speed) >= 1 || (may_run_backwards_ && running_out(row))) {
    return std::nullopt;
  }
  // What came before the crank stood may have gone the other way.
  EdgeRow since_stand = row;
  since_stand.clean_steps = static_cast<int>(steps_since_stand(row));
  return complete(since_stand, turns_wanted(turns)) ? std::optional(since_stand) : std::nullopt;
}

// Of rows of `steps` intervals.
double CrankTracker::lock_margin_wanted(std::size_t steps) const {
  const double repeats = static_cast<double>(steps) / cycle_.repeat_teeth;
  const double by_ripple = cycle_.mean_step_deg() > crank_limits::coarse_pitch_deg ? repeat_margin * repeats : 0;
  return std::max(too_coarse_to_tell() ? coarse_lock_margin : lock_margin, by_ripple);
}

// Steps of the row after the last that took so long that the crank may have stood in it.
std::uint64_t CrankTracker::steps_since_stand(const EdgeRow& row) const {
  constexpr double times_as_slow = 6;  // one cylinder, cranked, slows down to a quarter of its mean speed or so
  const auto steps = static_cast<std::uint64_t>(row.clean_steps);
  const std::uint64_t looked_at = std::min(steps, mask_ - 1);
  const auto turn = std::min(steps, static_cast<std::uint64_t>(turn_teeth_));
  const auto turn_ns = static_cast<double>(newest_ns() - raw_[(raw_count_ - 1 - turn) & mask_]);
  const double mean_ns_per_deg = turn_ns / (static_cast<double>(turn) * cycle_.mean_step_deg());
  const auto count = static_cast<std::uint64_t>(cycle_.repeat_teeth);
  for (std::uint64_t i = 0; i < looked_at; ++i) {
    const std::size_t from = (static_cast<std::uint64_t>(row.tooth) + count - 1 - i % count) % count;
    const std::uint64_t end = raw_count_ - 1 - i;
    const auto dt_ns = static_cast<double>(raw_[end & mask_] - raw_[(end - 1) & mask_]);
    if (dt_ns > times_as_slow * mean_ns_per_deg * cycle_step_deg_[from]) {
      return i;
    }
  }
  return steps;
}

// With few teeth a compression dip, which comes again every turn, can look more like the gap than the gap does.
bool CrankTracker::too_coarse_to_tell() const {
  constexpr double cranking_rpm_max = 350;
  const std::int64_t turn_ns = newest_ns() - raw_[(raw_count_ - 1 - static_cast<std::uint64_t>(turn_teeth_)) & mask_];
  return cycle_.repeat_teeth > 1 && cycle_.mean_step_deg() > crank_limits::coarse_pitch_deg &&
         static_cast<double>(turn_ns) > turn_teeth_ * cycle_.mean_step_deg() * ns_per_deg_at(cranking_rpm_max);
}

bool CrankTracker::running_out(const EdgeRow& row) const {
  return static_cast<std::uint64_t>(row.clean_steps) < 2 * static_cast<std::uint64_t>(turn_teeth_) ||
         turns_take_longer();
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
  counted_back_until_ = first_mark_;
  if (cycle_.repeat_teeth > 1 && row.speed.ns_per_deg > ns_per_deg_at(crank_limits::unsure_rpm)) {
    counted_back_until_ = after_first_gap();
    // Among the last edges one too many may pass for a change of speed: the next gap tells.
    unsure_from_ = mark_count_ - std::min(mark_count_ - first_mark_, lag_marks);
    unsure_until_ = crank_limits::no_mark;
  }
  ratio_least_ = 1;
  ratio_most_ = 1;
  loss_reason_ = LossReason::none;
}

// The second mark after the first gap of the lock that has just been taken.
std::uint64_t CrankTracker::after_first_gap() const {
  for (std::uint64_t i = first_mark_; i + 2 < mark_count_; ++i) {
    if (cycle_step_deg_[static_cast<std::size_t>(marks_[i & mask_].tooth)] == gap_deg_) {
      return i + 2;
    }
  }
  return first_mark_;
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
         episode_.rival_margin(newest_ns(), turn) >= crank_limits::decided_margin_heavy &&
         believable(episode_.best_path());
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
  return !nearly_stood(path) && (dense_burst(very_dense) ? missed <= missed_run_max
                                                         : missed <= crank_limits::missed_when_slow_max && extra <= 1);
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

}  // namespace cw
