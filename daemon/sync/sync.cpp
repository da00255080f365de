#include "sync/sync.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstddef>
#include <utility>

#include "geometry/angle.hpp"
#include "geometry/cam_evidence.hpp"
#include "sync/crank_limits.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::size_t pending_max = 512;
// Without a crank edge for less than so much of a turn, cam edges say nothing.
constexpr double turns_least = 0.5;

double largest_step(const ToothCycle& cycle) {
  double largest = 0;
  for (const CycleTooth& tooth : cycle.teeth) {
    largest = std::max(largest, tooth.step_deg);
  }
  return largest;
}

double smallest_step(const ToothCycle& cycle) {
  double smallest = cycle.cycle_deg;
  for (const CycleTooth& tooth : cycle.teeth) {
    smallest = std::min(smallest, tooth.step_deg);
  }
  return smallest;
}

// Firings a turn; where they are not evenly spaced, as many as the widest space between two would give.
double firings_per_turn(const Engine& engine) {
  const std::vector<double> steps_deg = firing_steps_deg(engine);
  return deg_per_rev / (steps_deg.empty() ? engine.cycle_deg : *std::max_element(steps_deg.begin(), steps_deg.end()));
}

}  // namespace

Sync::Sync(const Engine& engine)
    : engine_(engine),
      cycle_(tooth_cycle(engine)),
      tracker_(cycle_),
      strict_(cycle_.steps_deg(cycle_.repeat_teeth)),
      wheel_(engine, cycle_),
      shaft_(engine),
      period_(engine, cycle_.mean_step_deg()),
      jump_(engine, cycle_.mean_step_deg()),
      cam_patterns_(engine),
      turn_deg_(cycle_.cycle_deg / cycle_.places()),
      crank_turn_teeth_(static_cast<std::uint64_t>(
          std::lround(static_cast<double>(cycle_.teeth.size()) * deg_per_rev / cycle_.cycle_deg))),
      largest_step_deg_(largest_step(cycle_)),
      smallest_step_deg_(smallest_step(cycle_)),
      no_step_is_silence_(largest_step_deg_ * crank_limits::next_tooth_ratio_max < 0.99 * turns_least * deg_per_rev),
      cams_(engine.cams.size()),
      last_shift_deg_(engine.cams.size()),
      ripple_order_(firings_per_turn(engine)) {
  for (const double shift_deg : position_evidence(engine).left_deg) {
    alike_.push_back(static_cast<int>(std::lround(shift_deg / turn_deg_)));
  }
  // With fewer teeth than that to a wave of speed a polynomial through many of them would swing wide of the motion.
  constexpr double teeth_to_wave = 4;
  coarse_ = ripple_order_ * cycle_.mean_step_deg() * teeth_to_wave > deg_per_rev;
  fit_wide_deg_ = coarse_ ? largest_step_deg_ : std::max(30.0, 1.5 * cycle_.mean_step_deg() + largest_step_deg_);
  other_ns_.assign(std::bit_ceil(4 * cycle_.teeth.size()), 0);
  plan_tdc();
}

std::optional<double> Sync::rpm() const {
  return tracker_.locked() ? std::optional<double>(rpm_at(tracker_.ns_per_deg())) : std::nullopt;
}

double Sync::crank_deg(double wheel_deg) const {
  return wrap_deg(wheel_deg + place_ * turn_deg_ - engine_.crank.trigger_offset_deg, cycle_.cycle_deg);
}

// Number on the wheel of a tooth as the tracker counts, in the place that is taken to be the first.
int Sync::tooth_number(int tooth) const {
  const int on = tooth + place_ * cycle_.repeat_teeth;
  return cycle_.teeth[static_cast<std::size_t>(on) % cycle_.teeth.size()].number;
}

// Crank angle of a tooth of the current cycle, rising over the cycles, in the place taken so far to be the first.
double Sync::position_deg(std::int32_t tooth) const {
  return turns_base_deg_ + cycle_.teeth[static_cast<std::size_t>(tooth)].wheel_deg - engine_.crank.trigger_offset_deg;
}

LockState Sync::locked_state() const {
  if (!wheel_.confirmed() || shaft_.verdict() != ShaftVerdict::agrees || cams_speak_against()) {
    return LockState::searching;
  }
  switch (known_) {
    case PlaceKnown::cycle:
      return LockState::cycle_locked;
    case PlaceKnown::turn:
      return LockState::revolution_locked;
    case PlaceKnown::none:
      break;
  }
  return LockState::searching;
}

void Sync::change_state(LockState to, std::int64_t t_ns, LossReason reason) {
  if (to == state_) {
    return;
  }
  LockEvent event;
  event.from = state_;
  event.to = to;
  event.t_ns = t_ns;
  event.reason = reason;
  event.cycle = cycle_number_;
  const bool locked = tracker_.locked();
  if (locked ? walked_ > segment_start_ : reason != LossReason::none) {
    const int tracked = locked ? last_tooth_ : tracker_.loss_place().tooth;
    event.angle_deg = crank_deg(cycle_.teeth[static_cast<std::size_t>(tracked)].wheel_deg);
    event.tooth = tooth_number(tracked);
  }
  const double ns_per_deg = locked ? tracker_.ns_per_deg() : tracker_.loss_ns_per_deg();
  if (ns_per_deg > 0) {
    event.rpm = rpm_at(ns_per_deg);
  }
  state_ = to;
  events_.emplace_back(event);
}

// ---- what the tracker says

void Sync::handle(CrankEvent event, std::int64_t t_ns) {
  silence_reported_ = false;
  if (state_ == LockState::no_signal) {
    change_state(LockState::searching, t_ns, LossReason::none);
  }
  const bool found = event == CrankEvent::acquired || event == CrankEvent::rejoined;
  const bool refused = found && !wheel_.may_claim();
  if (suspended_ && (event == CrankEvent::acquired || refused)) {
    end_suspended();
  }
  if (refused) {
    tracker_.drop(LossReason::contradicted);
    walked_ = tracker_.final_marks();
  } else if (event == CrankEvent::acquired) {
    start_segment();
    untold_until_ = std::max(untold_until_, tracker_.counted_back_until());
    change_state(locked_state(), t_ns, LossReason::none);
  } else if (event == CrankEvent::rejoined) {
    rejoin(t_ns);
  } else if (event == CrankEvent::lost) {
    take_loss(t_ns);
  } else if (event == CrankEvent::doubted) {
    change_state(LockState::searching, t_ns, LossReason::nearly_stopped);
  } else if (event == CrankEvent::resolved) {
    if (state_ == LockState::searching && known_ != PlaceKnown::none) {
      untold_until_ = tracker_.marks_end();  // it was in doubt
    }
    if (miscount_likely(hold_faults()) || tracker_.uneven_step()) {
      doubt_place(false);
    }
    change_state(locked_state(), t_ns, LossReason::none);
  }
  cams_since_crank_ = 0;
}

// Before a lock, and until the wheel has been seen to fit.
void Sync::look_at_wheel() {
  const bool confirmed = wheel_.confirmed();
  const std::optional<WheelOpinion> news = wheel_.look(tracker_.locked());
  // A tooth far out of its place may have led a search astray that did not know of it.
  const bool displaced = news && news->verdict == WheelVerdict::tooth_displaced && !is_lock(state_);
  if (tracker_.locked() && (displaced || !wheel_.allows_lock())) {
    tracker_.drop(LossReason::contradicted);
    lose(LossReason::contradicted, newest_ns());
  } else if (tracker_.locked() && !confirmed && wheel_.confirmed()) {
    change_state(locked_state(), newest_ns(), LossReason::none);
  }
  if (news && !(shaft_.contradicts() && news->verdict == WheelVerdict::fits)) {
    events_.emplace_back(WheelEvent{*news});
  }
}

// Until the cams' edges have been seen to come as often as the file says, no place is claimed.
void Sync::look_at_shaft() {
  const ShaftVerdict before = shaft_.verdict();
  const ShaftVerdict now = shaft_.look();
  if (now == before) {
    return;
  }
  const std::int64_t now_ns = newest_ns();
  WheelOpinion opinion;
  opinion.t_ns = now_ns;
  if (now == ShaftVerdict::agrees) {
    change_state(locked_state(), now_ns, LossReason::none);
  } else {
    opinion.verdict = WheelVerdict::other_shaft;
    opinion.looks_like = now == ShaftVerdict::twice ? "twice as often" : "half as often";
    change_state(LockState::searching, now_ns, LossReason::contradicted);
  }
  if (now != ShaftVerdict::agrees || before != ShaftVerdict::open) {
    events_.emplace_back(WheelEvent{opinion});
  }
}

// The cams never tell the place of a wheel of even teeth that has another number of them.
void Sync::look_at_period(std::size_t cam, double angle_deg) {
  const std::optional<int> teeth = cycle_.repeat_teeth == 1 ? period_.cam_edge(cam, angle_deg) : std::nullopt;
  if (teeth) {
    WheelOpinion opinion;
    opinion.verdict = WheelVerdict::other_wheel;
    opinion.t_ns = newest_ns();
    opinion.looks_like = "even teeth, " + std::to_string(*teeth) + " of them in a turn of " + engine_.cams[cam].name;
    events_.emplace_back(WheelEvent{opinion});
  }
}

// Once a cycle, until the cams have been seen to fit.
void Sync::look_at_cams() {
  const bool known = known_ == PlaceKnown::cycle;
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    if (!cam_patterns_.watches(cam)) {
      continue;
    }
    const OpenPlaces places{turn_deg_, place_, known ? 1 : cycle_.places()};
    if (const auto news = cam_patterns_.look(cam, position_deg(last_tooth_), places)) {
      const std::optional<double> modulo_deg = known                        ? std::optional(cycle_.cycle_deg)
                                               : known_ == PlaceKnown::turn ? std::optional(deg_per_rev)
                                                                            : std::nullopt;
      events_.emplace_back(CamPatternEvent{*news, modulo_deg});
    }
  }
}

void Sync::start_segment() {
  walked_ = tracker_.first_mark();
  segment_start_ = walked_;
  place_ = 0;
  known_ = known_by_wheel();
  last_tooth_ = tracker_.mark(walked_).tooth;
  turns_base_deg_ = 0;
  segment_position_deg_ = position_deg(last_tooth_);
  shaft_.begin(segment_position_deg_);
  period_.begin();
  cam_patterns_.begin();
  next_seek_deg_ = 0;
  doubted_place_.reset();
  moved_ = false;
  index_moved_ = false;
  cams_fitted_ = false;
  misfit_frames_ = 0;
  cycles_since_odd_ = 0;
  place_doubts_ = 0;
  last_tdc_ns_.reset();
  losses_checkpoint_ = strict_.losses();
  strict_checkpoint_in_sync_ = strict_.in_sync();
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    cams_[cam] = CamTrack{};
  }
  plan_tdc();
  if (known_ == PlaceKnown::cycle) {
    set_place(0, PlaceKnown::cycle);
  }
}

// Says all that the marks decided so far still tell; the lock is gone.
void Sync::finish_segment() {
  hold_faults();
  // A new lock may have been taken already.
  const std::uint64_t end = tracker_.locked() && suspended_ ? tracker_.first_mark() : tracker_.final_marks();
  while (walked_ < end) {
    walk();
  }
  release_faults(true);
  close_frames();
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    if (judged(cam)) {
      close_frame(cam);
    }
  }
}

void Sync::lose(LossReason reason, std::int64_t t_ns) {
  finish_segment();
  wheel_.watch_again();
  change_state(state_after(reason), t_ns, reason);
  suspended_ = false;
  known_ = PlaceKnown::none;
  last_tdc_ns_.reset();
}

// Never claimed, never lost.
LockState Sync::state_after(LossReason reason) const {
  const bool harmless = reason == LossReason::nearly_stopped || reason == LossReason::input_lost ||
                        !(is_lock(state_) || wheel_.confirmed());
  return harmless ? LockState::searching : LockState::lost;
}

// What was known waits: the teeth to come may explain those that went before.
void Sync::suspend(LossReason reason, std::int64_t t_ns) {
  suspended_ = true;
  wheel_.watch_again();
  change_state(state_after(reason), t_ns, reason);
  last_tdc_ns_.reset();
}

void Sync::end_suspended() {
  finish_segment();
  suspended_ = false;
  known_ = PlaceKnown::none;
}

void Sync::rejoin(std::int64_t t_ns) {
  suspended_ = false;
  untold_until_ = tracker_.marks_end();
  hold_faults();
  if (turn_deg_ < deg_per_rev) {
    doubt_place(false);  // the search can't tell one turn of such a wheel from a part of it
  }
  change_state(locked_state(), t_ns, LossReason::none);
}

void Sync::break_off(LossReason reason) {
  const bool was_locked = tracker_.locked() || suspended_;
  tracker_.drop(reason);
  strict_.reset();
  if (was_locked) {
    lose(reason, newest_ns());
  }
  wheel_.forget();
  shaft_.forget();
  period_.forget();
  jump_.forget();
  cam_patterns_.forget();
  forget_teeth();
  pending_.clear();
  silence_reported_ = true;  // that nothing comes is no news of the engine
}

bool Sync::cannot_stop_at(double ns_per_deg, double within_deg) const {
  const double deg_s = ns_per_deg > 0 ? 1e9 / ns_per_deg : 0;
  return deg_s * deg_s > 2 * crank_limits::slowing_max_deg_s2 * within_deg;
}

// Of the last step and the last turn, the slower: a crank that swings back over an edge shows a step that was never made.
double Sync::slower_ns_per_deg() const {
  const std::uint64_t end = tracker_.marks_end();
  const std::uint64_t turn = std::max<std::uint64_t>(1, crank_turn_teeth_);
  if (end < tracker_.first_mark() + turn + 1) {
    return tracker_.ns_per_deg();
  }
  const CrankMark& from = tracker_.mark(end - 1 - turn);
  const CrankMark& to = tracker_.mark(end - 1);
  const double turned_deg = this->turned_deg(end - 1 - turn, end - 1);
  return std::max(tracker_.ns_per_deg(), static_cast<double>(to.t_ns - from.t_ns) / turned_deg);
}

void Sync::take_loss(std::int64_t t_ns) {
  const LossReason reason = tracker_.loss_reason();
  const std::int64_t silent_ns = t_ns - before_newest_ns_;
  const double rpm = rpm_at(tracker_.loss_ns_per_deg());
  const double turn_ns = deg_per_rev * tracker_.loss_ns_per_deg();
  // No crank stops from this speed within a turn and goes on: the signal was away.
  const bool silence = reason == LossReason::nothing_fits || reason == LossReason::nearly_stopped;
  if (silence && cannot_stop_at(tracker_.loss_ns_per_deg(), largest_step_deg_) &&
      static_cast<double>(silent_ns) > turn_ns) {
    lose(LossReason::signal_stopped, before_newest_ns_);
    events_.emplace_back(
        SilenceEvent{SilenceKind::crank_signal_stopped, before_newest_ns_, t_ns, rpm, cams_since_crank_});
    return;
  }
  const std::int64_t lost_ns = tracker_.loss_place().t_ns;
  // A lock that was never claimed is not worth waiting for.
  if (tracker_.may_rejoin() && is_lock(state_)) {
    suspend(reason, lost_ns);
  } else {
    tracker_.give_up_rejoin();
    lose(reason, lost_ns);
  }
}

// Known delays differ by channel, so an edge may belong before one that came earlier.
void Sync::add_pending(const Pending& edge) {
  const auto later = [](std::int64_t t_ns, const Pending& other) { return t_ns < other.t_ns; };
  const bool newest = pending_.empty() || pending_.back().t_ns <= edge.t_ns;
  pending_.insert(newest ? pending_.end() : std::upper_bound(pending_.begin(), pending_.end(), edge.t_ns, later), edge);
  if (pending_.size() > pending_max) {
    pending_.erase(pending_.begin());
  }
}

void Sync::note_cam_edge(std::size_t cam, ActiveEdge edge, std::int64_t t_ns, std::uint64_t next_mark) {
  add_pending({t_ns, cam, edge, true, next_mark});
  if (edge == engine_.cams[cam].edges.front().edge) {
    wheel_.cam_edge(cam, t_ns);
  }
}

void Sync::cam_edge(std::size_t cam, ActiveEdge edge, std::int64_t t_ns) {
  note_cam_edge(cam, edge, t_ns, tracker_.marks_end());
  if (cycle_.repeat_teeth == 1 && known_ != PlaceKnown::cycle) {
    jump_.cam_edge(cam, t_ns);
  }
  ++cams_since_crank_;
  // A slow crank may have stopped, and have swung back under the cam sensor.
  constexpr double slow_rpm = 400;
  constexpr double turns_when_slow = 1.5;
  const auto silent_ns = static_cast<double>(t_ns - newest_ns());
  const bool may_be_silent = tracker_.locked() && !silence_reported_ && tracker_.next_interval_ns() > 0 &&
                             silent_ns > turns_least * deg_per_rev * tracker_.ns_per_deg();
  if (!may_be_silent) {
    return;
  }
  const double turns = rpm_at(slower_ns_per_deg()) > slow_rpm ? turns_least : turns_when_slow;
  // On a wheel of few teeth cam edges between two teeth are the rule.
  constexpr double steps = 2;
  const TellingCamEdges telling = telling_cam_edges();
  const double telling_deg = std::max({turns * deg_per_rev, steps * largest_step_deg_, telling.within_deg});
  if (cams_since_crank_ >= telling.edges && silent_ns > telling_deg * tracker_.ns_per_deg()) {
    silence_reported_ = true;
    const double rpm = rpm_at(tracker_.ns_per_deg());
    const std::int64_t last_ns = newest_ns();
    tracker_.drop(LossReason::signal_stopped);
    lose(LossReason::signal_stopped, last_ns);
    events_.emplace_back(SilenceEvent{SilenceKind::crank_signal_stopped, last_ns, t_ns, rpm, cams_since_crank_});
  }
}

// Whether a crank that goes on to lose as much energy with each step as with the last, and half as much again, stands within
// two steps.
bool Sync::is_running_down() const {
  constexpr std::uint64_t marks_min = 3;
  const std::uint64_t end = tracker_.marks_end();
  if (end < tracker_.first_mark() + marks_min) {
    return false;
  }
  const auto square_deg_s = [this](std::uint64_t index) {
    const double seconds = 1e-9 * static_cast<double>(tracker_.mark(index).t_ns - tracker_.mark(index - 1).t_ns);
    const double deg_s = turned_deg(index - 1, index) / seconds;
    return deg_s * deg_s;
  };
  constexpr double steps = 3;  // two, and half as much again
  const double now = square_deg_s(end - 1);
  return now < steps * (square_deg_s(end - 2) - now);
}

// Cam edges without one of the crank that say that the engine turns. Between teeth so far apart it may have stopped and
// rock to and fro under the cam sensors: then a stretch is wanted that no rocking gives.
Sync::TellingCamEdges Sync::telling_cam_edges() const {
  constexpr int usual = 2;
  constexpr double far_apart_deg = 60;
  constexpr double steps = 2;
  if (largest_step_deg_ < far_apart_deg ||
      (cannot_stop_at(slower_ns_per_deg(), steps * largest_step_deg_) && !is_running_down())) {
    return {usual, 0};
  }
  constexpr int cycles = 3;
  int edges = 0;
  for (const CamPattern& cam : engine_.cams) {
    edges += static_cast<int>(cam.edges.size());
  }
  // To and fro the same edge comes again at once; as many by going on take their time.
  constexpr double cycles_least = 2.5;
  return {std::max(usual, cycles * edges), cycles_least * cycle_.cycle_deg};
}

void Sync::reference_edge(std::int64_t t_ns) {
  add_pending({t_ns, reference_channel, ActiveEdge::falling, true, tracker_.marks_end()});
}

void Sync::tick(std::int64_t silent_ns) {
  if (state_ == LockState::no_signal || tracker_.edges() == 0) {
    return;
  }
  constexpr double intervals = 4;
  const auto limit_ns = std::max(ns_per_s, static_cast<std::int64_t>(intervals * tracker_.next_interval_ns()));
  if (silent_ns < limit_ns) {
    return;
  }
  const std::int64_t last_ns = newest_ns();
  const double rpm = tracker_.locked() ? rpm_at(tracker_.ns_per_deg()) : 0;
  const bool was_locked = tracker_.locked() && is_lock(state_);
  const double next_deg = was_locked ? tracker_.next_interval_ns() / tracker_.ns_per_deg() : 0;
  // The speed is that of the middle of the last step, and the next tooth was not reached.
  const bool sudden = was_locked && cannot_stop_at(slower_ns_per_deg(), next_deg + largest_step_deg_ / 2);
  tracker_.drop(LossReason::signal_stopped);
  strict_.reset();
  wheel_.forget();
  jump_.forget();
  finish_segment();
  suspended_ = false;
  known_ = PlaceKnown::none;
  last_tdc_ns_.reset();
  change_state(LockState::no_signal, last_ns, sudden ? LossReason::signal_stopped : LossReason::nearly_stopped);
  if (!silence_reported_) {
    silence_reported_ = true;
    events_.emplace_back(SilenceEvent{sudden ? SilenceKind::crank_signal_stopped : SilenceKind::engine_stopped, last_ns,
                                      last_ns, rpm, cams_since_crank_});
  }
  last_rpm_ = 0;
}

void Sync::finish() {
  finish_segment();
}

// ---- faults wait until a strict counter would have noticed

std::size_t Sync::hold_faults() {
  const bool strict_in_sync = strict_checkpoint_in_sync_;
  const std::vector<CrankFault> faults = tracker_.take_faults();
  for (const CrankFault& fault : faults) {
    HeldFault held;
    held.event.kind = fault.kind;
    held.event.jump_deg = fault.jump_deg;
    held.event.t_ns = fault.t_ns;
    held.event.angle_deg = crank_deg(fault.wheel_deg);
    held.event.tooth = tooth_number(fault.tooth);
    held.event.rpm = fault.rpm;
    held.event.cycle = cycle_number_;
    held.event.state = state_;
    held.losses_before = losses_checkpoint_;
    held.strict_was_in_sync = strict_in_sync;
    held.release_at_mark = walked_ + static_cast<std::uint64_t>(cycle_.repeat_teeth) + 2;
    held_.push_back(held);
  }
  cycles_since_odd_ = faults.empty() ? cycles_since_odd_ : 0;
  return faults.size();
}

void Sync::release_faults(bool all) {
  if (doubted_place_ && !all) {
    return;  // the cams may say that they were none
  }
  while (!held_.empty() && (all || held_.front().release_at_mark < walked_)) {
    HeldFault held = held_.front();
    held_.pop_front();
    if (strict_.available() && held.strict_was_in_sync) {
      held.event.strict_counter_lost = strict_.losses() > held.losses_before;
    }
    events_.emplace_back(held.event);
  }
  if (held_.empty()) {
    losses_checkpoint_ = strict_.losses();
    strict_checkpoint_in_sync_ = strict_.in_sync();
  }
}
}  // namespace cw
