#include "sync/sync.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <utility>

#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::size_t pending_max = 512;
constexpr int place_window_cycles = 3;
// Without agreement after so many cycles a shift beyond what the file allows is considered: a cam that is a belt tooth
// or two out still says which turn it is.
constexpr int widened_after_cycles = 2;
constexpr double place_check_cycles = 2;
// A look sees place_check_cycles back, so the cycle in which something happened must have left before one can tell.
constexpr int place_looks = 4;
// A cam that jumped leaves no place that fits: after so many cycles of that the one before is taken again.
constexpr double doubt_cycles = 3;
constexpr double doubt_kept_cycles = doubt_cycles + 2;  // what the cams did since a cycle before is kept
constexpr double tracker_scatter_min_ns = 1500;
// Compression and friction slow a crank down by no more than about this (simulated engines: 12,000 to 30,000), so from
// more than sqrt(2 x this x step) it can't stop between two teeth.
constexpr double slowing_max_deg_s2 = 40'000;

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
      cam_patterns_(engine),
      turn_deg_(cycle_.cycle_deg / cycle_.places()),
      largest_step_deg_(largest_step(cycle_)),
      smallest_step_deg_(smallest_step(cycle_)),
      cams_(engine.cams.size()),
      last_shift_deg_(engine.cams.size()),
      ripple_order_(firings_per_turn(engine)) {
  // With fewer teeth than that to a wave of speed a polynomial through many of them would swing wide of the motion.
  constexpr double teeth_to_wave = 4;
  coarse_ = ripple_order_ * cycle_.mean_step_deg() * teeth_to_wave > deg_per_rev;
  fit_wide_deg_ = coarse_ ? largest_step_deg_ : std::max(30.0, 1.5 * cycle_.mean_step_deg() + largest_step_deg_);
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

// A wheel that knows the cycle by itself: its first claim waits until the cams have fitted once, or have been so for some
// cycles in which the wheel held all the same.
bool Sync::cams_speak_against() const {
  constexpr int cycles_held = 4;
  return known_by_wheel() == PlaceKnown::cycle && !cams_fitted_ && misfit_frames_ > 0 && misfit_frames_ < cycles_held;
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
    if (miscount_likely(hold_faults())) {
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
  if (tracker_.locked() && !wheel_.allows_lock()) {
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

// What the wheel alone tells once it has been recognised.
PlaceKnown Sync::known_by_wheel() const {
  if (cycle_.places() == 1) {
    return PlaceKnown::cycle;
  }
  return turn_deg_ >= deg_per_rev ? PlaceKnown::turn : PlaceKnown::none;
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
  cam_patterns_.forget();
  pending_.clear();
  silence_reported_ = true;  // that nothing comes is no news of the engine
}

bool Sync::cannot_stop_at(double ns_per_deg, double within_deg) const {
  const double deg_s = ns_per_deg > 0 ? 1e9 / ns_per_deg : 0;
  return deg_s * deg_s > 2 * slowing_max_deg_s2 * within_deg;
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

// ---- walking along the decided teeth

void Sync::walk() {
  const std::uint64_t index = walked_++;
  const CrankMark& mark = tracker_.mark(index);
  if (index == segment_start_) {
    last_tooth_ = mark.tooth;
    std::erase_if(pending_, [&mark](const Pending& edge) { return edge.t_ns < mark.t_ns; });
    return;
  }
  const std::int32_t before = last_tooth_;
  last_tooth_ = mark.tooth;
  const bool wrapped = mark.tooth <= before;
  if (!pending_.empty() && pending_.front().t_ns < mark.t_ns) {
    locate_pending(index);
  }
  turns_base_deg_ += wrapped ? cycle_.cycle_deg : 0;
  if (shaft_.verdict() != ShaftVerdict::agrees && shaft_.due(position_deg(mark.tooth))) {
    look_at_shaft();
  }
  const bool passed = wrapped ? (ready_tooth_ > before || ready_tooth_ <= mark.tooth)
                              : (ready_tooth_ > before && ready_tooth_ <= mark.tooth);
  if (passed) {
    pass_tdc(index);
  }
  if (!held_.empty() && held_.front().release_at_mark <= index) {
    release_faults(false);
  }
}

// Degrees turned from one mark to another, some few marks away at most; negative when that came before.
double Sync::turned_deg(std::uint64_t from, std::uint64_t to) const {
  double deg = 0;
  for (std::uint64_t i = std::min(from, to); i < std::max(from, to); ++i) {
    deg += cycle_.between_deg(tracker_.mark(i).tooth, tracker_.mark(i + 1).tooth);
  }
  return to < from ? -deg : deg;
}

// Angle at `t_ns`, between the marks before and at `index`: Neville's polynomial through the teeth around it, and as its
// uncertainty what the two outermost teeth change, and a dip that may hide between the two teeth.
Sync::Located Sync::interpolate(std::uint64_t index, std::int64_t t_ns) const {
  constexpr std::uint64_t before = 3;
  constexpr std::uint64_t after = 2;
  const std::uint64_t first = std::max(segment_start_, index - std::min(index, before));
  const std::uint64_t last = std::min(index + after, tracker_.marks_end() - 1);
  std::array<double, before + after + 1> x{};
  std::array<double, before + after + 1> y{};
  std::array<double, before + after + 1> polynomial{};
  std::size_t count = 0;
  // The nearest teeth first, so that each further one refines.
  const auto add = [&](std::uint64_t i) {
    if (i < first || i > last) {
      return;
    }
    x[count] = static_cast<double>(tracker_.mark(i).t_ns - t_ns);
    y[count] = turned_deg(index - 1, i);
    ++count;
  };
  add(index - 1);
  add(index);
  if (!coarse_) {
    for (const std::uint64_t i : {index - 2, index + 1, index - 3, index + 2}) {
      add(i);
    }
  }
  double correction = 0;
  for (std::size_t k = 0; k < count; ++k) {
    polynomial[k] = y[k];
    for (std::size_t j = k; j-- > 0;) {
      polynomial[j] = (x[k] * polynomial[j] - x[j] * polynomial[j + 1]) / (x[k] - x[j]);
    }
    // polynomial[0] now goes through the first k + 1 points.
    correction = k + 1 < count || k < 1 ? polynomial[0] : correction;
  }
  const double dip_deg = hidden_dip_deg(index);
  const double last_change_deg = count > 2 ? std::fabs(polynomial[0] - correction) : 0;
  return {position_deg(tracker_.mark(index - 1).tooth) + polynomial[0], last_change_deg + dip_deg};
}

// How far an angle between the marks before and at `index` may be off because speed dips or peaks between them, unseen:
// what the ripple of this engine lets expect, and a share of their distance that grows with how much slower or faster it
// is than its neighbours. The share is our own choice, from simulated compression dips.
double Sync::hidden_dip_deg(std::uint64_t index) const {
  const auto ns_per_deg = [&](std::uint64_t i) {
    const CrankMark& from = tracker_.mark(i - 1);
    const CrankMark& to = tracker_.mark(i);
    return static_cast<double>(to.t_ns - from.t_ns) / cycle_.between_deg(from.tooth, to.tooth);
  };
  const double step = cycle_.between_deg(tracker_.mark(index - 1).tooth, tracker_.mark(index).tooth);
  if (index < segment_start_ + 2 || index + 1 >= tracker_.marks_end()) {
    return step / 2;
  }
  constexpr double share = 0.2;
  const double around = (ns_per_deg(index - 1) + ns_per_deg(index + 1)) / 2;
  // Far apart, with quite another speed on either side: starting or running down, it may have been any speed between.
  constexpr double quite_another = 1.3;
  if (coarse_ && std::max(ns_per_deg(index - 1), ns_per_deg(index + 1)) >
                     quite_another * std::min(ns_per_deg(index - 1), ns_per_deg(index + 1))) {
    return step / 2;
  }
  const double bend = share * step * std::fabs(ns_per_deg(index) / around - 1);
  // A straight line misses a steady change of speed by step / 8 times the change from one end to the other.
  const double slope = coarse_ ? step / 16 * std::fabs(ns_per_deg(index + 1) - ns_per_deg(index - 1)) / around : 0;
  return bend + slope + unseen_ripple_deg(step, ripple_order_, rpm_at(around));
}

void Sync::locate_pending(std::uint64_t index) {
  const std::int64_t end_ns = tracker_.mark(index).t_ns;
  while (!pending_.empty() && pending_.front().t_ns < end_ns) {
    const Pending edge = pending_.front();
    pending_.pop_front();
    take_located(edge, interpolate(index, edge.t_ns));
  }
}

void Sync::take_located(const Pending& pending, const Located& at) {
  if (pending.channel == reference_channel) {
    const double rpm = rpm_at(tracker_.ns_per_deg());
    events_.emplace_back(ReferenceEvent{pending.t_ns, wrap_deg(at.deg + place_ * turn_deg_, cycle_.cycle_deg),
                                        at.uncertainty_deg, rpm, cycle_number_, state_});
    return;
  }
  if (cam_patterns_.watches(pending.channel)) {
    cam_patterns_.add(pending.channel, {at.deg, pending.t_ns, pending.edge, at.uncertainty_deg}, pending.listed);
  }
  if (!pending.listed) {
    return;
  }
  CamTrack& track = cams_[pending.channel];
  shaft_.cam_edge(pending.channel);
  if (known_ == PlaceKnown::none) {
    look_at_period(pending.channel, at.deg);
  }
  track.edges.push_back({at.deg, pending.t_ns, pending.edge, at.uncertainty_deg});
  if (known_ != PlaceKnown::cycle && at.deg >= next_seek_deg_) {
    seek_place();
  }
}

// Known delays differ by channel, so an edge may belong before one that came earlier.
void Sync::add_pending(const Pending& edge) {
  const auto later = [](std::int64_t t_ns, const Pending& other) { return t_ns < other.t_ns; };
  pending_.insert(std::upper_bound(pending_.begin(), pending_.end(), edge.t_ns, later), edge);
  if (pending_.size() > pending_max) {
    pending_.pop_front();
  }
}

void Sync::cam_edge(std::size_t cam, ActiveEdge edge, std::int64_t t_ns) {
  add_pending({t_ns, cam, edge, true});
  if (edge == engine_.cams[cam].edges.front().edge) {
    wheel_.cam_edge(cam, t_ns);
  }
  ++cams_since_crank_;
  const double interval_ns = tracker_.next_interval_ns();
  const std::int64_t silent_ns = t_ns - newest_ns();
  // A slow crank may have stopped, and have swung back under the cam sensor.
  constexpr double slow_rpm = 400;
  const double turns = rpm_at(tracker_.ns_per_deg()) > slow_rpm ? 0.5 : 1.5;
  // On a wheel of few teeth cam edges between two teeth are the rule.
  constexpr double steps = 2;
  const double telling_ns = std::max(turns * deg_per_rev, steps * largest_step_deg_) * tracker_.ns_per_deg();
  if (tracker_.locked() && cams_since_crank_ >= telling_cam_edges() && interval_ns > 0 &&
      static_cast<double>(silent_ns) > telling_ns && !silence_reported_) {
    silence_reported_ = true;
    const double rpm = rpm_at(tracker_.ns_per_deg());
    const std::int64_t last_ns = newest_ns();
    tracker_.drop(LossReason::signal_stopped);
    lose(LossReason::signal_stopped, last_ns);
    events_.emplace_back(SilenceEvent{SilenceKind::crank_signal_stopped, last_ns, t_ns, rpm, cams_since_crank_});
  }
}

// Cam edges without one of the crank that say that the engine turns. Between teeth so far apart it may have stopped and
// rock to and fro under the cam sensors: then a stretch is wanted that no rocking gives.
int Sync::telling_cam_edges() const {
  constexpr int usual = 2;
  constexpr double far_apart_deg = 60;
  constexpr double steps = 2;
  if (largest_step_deg_ < far_apart_deg || cannot_stop_at(tracker_.ns_per_deg(), steps * largest_step_deg_)) {
    return usual;
  }
  constexpr std::size_t cycles = 3;
  std::size_t edges = 0;
  for (const CamPattern& cam : engine_.cams) {
    edges += cam.edges.size();
  }
  return std::max(usual, static_cast<int>(cycles * edges));
}

void Sync::reference_edge(std::int64_t t_ns) {
  add_pending({t_ns, reference_channel, ActiveEdge::falling, true});
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
  const bool was_locked = tracker_.locked();
  const double next_deg = was_locked ? tracker_.next_interval_ns() / tracker_.ns_per_deg() : 0;
  // The speed is that of the middle of the last step, and the next tooth was not reached.
  const bool sudden = was_locked && cannot_stop_at(tracker_.ns_per_deg(), next_deg + largest_step_deg_ / 2);
  tracker_.drop(LossReason::signal_stopped);
  strict_.reset();
  wheel_.forget();
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

// ---- TDC

void Sync::plan_tdc() {
  tdc_wheel_deg_ = wrap_deg(engine_.crank.trigger_offset_deg - place_ * turn_deg_, cycle_.cycle_deg);
  // The last tooth within the window after TDC.
  ready_tooth_ = 0;
  double best_deg = -1;
  for (std::size_t i = 0; i < cycle_.teeth.size(); ++i) {
    const double after_deg = wrap_deg(cycle_.teeth[i].wheel_deg - tdc_wheel_deg_, cycle_.cycle_deg);
    if (after_deg <= fit_wide_deg_ && after_deg > best_deg) {
      best_deg = after_deg;
      ready_tooth_ = static_cast<std::int32_t>(i);
    }
  }
}

std::optional<double> Sync::rpm_over_turn(std::uint64_t index) const {
  const CrankMark& here = tracker_.mark(index);
  const auto teeth = cycle_.teeth.size();
  const std::uint64_t kept = std::min<std::uint64_t>(index - segment_start_, teeth);
  if (kept == 0) {
    return std::nullopt;
  }
  const CrankMark& there = tracker_.mark(index - kept);
  return rpm_at(static_cast<double>(here.t_ns - there.t_ns) / cycle_.between_deg(there.tooth, here.tooth));
}

double Sync::margin_of(const CrankTracker::RatioRange& range) const {
  constexpr double even_wheel_ratio = 2;  // nothing to confuse but a missed tooth
  const double gap_ratio = largest_step_deg_ / smallest_step_deg_;
  const double ratio = gap_ratio > 1.1 ? gap_ratio : even_wheel_ratio;
  const double worst = std::max(range.most, 1 / range.least);
  return std::clamp(1 - std::log(worst) / (0.5 * std::log(ratio)), 0.0, 1.0);
}

// The teeth around the TDC that the walk has just left behind, back from the mark at `index`.
TdcPoints Sync::points_around_tdc(std::uint64_t index) const {
  TdcPoints points;
  const std::int64_t base_ns = tracker_.mark(index).t_ns;
  // The mark at `index` lies at most a window after the TDC.
  double deg = wrap_deg(cycle_.teeth[static_cast<std::size_t>(tracker_.mark(index).tooth)].wheel_deg - tdc_wheel_deg_,
                        cycle_.cycle_deg);
  for (std::uint64_t i = index; points.count < TdcPoints::most; --i) {
    const CrankMark& mark = tracker_.mark(i);
    if (deg < -fit_wide_deg_) {
      break;
    }
    if (deg <= fit_wide_deg_) {
      points.angle_deg[points.count] = deg;
      points.t_ns[points.count] = static_cast<double>(mark.t_ns - base_ns);
      if (deg >= 0) {
        points.nearest_after = points.count;
        points.hidden_dip_deg = i > segment_start_ ? hidden_dip_deg(i) : 0;
      }
      ++points.count;
    }
    if (i == segment_start_) {
      break;
    }
    deg -= cycle_.between_deg(tracker_.mark(i - 1).tooth, mark.tooth);
  }
  return points;
}

void Sync::pass_tdc(std::uint64_t index) {
  const CrankTracker::RatioRange ratios = tracker_.take_ratios();
  const TdcPoints points = points_around_tdc(index);
  const std::optional<TdcEstimate> tdc = coarse_ ? tdc_.between_two(points) : tdc_.estimate(points);
  // Not known to half a tooth, nothing is claimed.
  if (tdc && tdc->uncertainty_deg < smallest_step_deg_ / 2 && index >= untold_until_ &&
      tracker_.well_supported(index) && tracker_.well_supported(index - std::min(index, points.count))) {
    tracker_.set_edge_scatter_ns(std::max(tracker_scatter_min_ns, tdc_.edge_scatter_ns()));
    report_cycle(index, *tdc, ratios);
  } else {
    last_tdc_ns_.reset();
  }
  if (held_.empty()) {
    losses_checkpoint_ = strict_.losses();
    strict_checkpoint_in_sync_ = strict_.in_sync();
  }
  close_frames();
  look_at_cams();
  if (known_ == PlaceKnown::cycle) {
    return;
  }
  tell_silent_cams();
  if (position_deg(last_tooth_) > next_seek_deg_) {
    seek_place();
  }
}

void Sync::report_cycle(std::uint64_t index, const TdcEstimate& tdc, const CrankTracker::RatioRange& ratios) {
  CycleEvent event;
  event.tdc_ns = tracker_.mark(index).t_ns + std::llround(tdc.t_ns);
  event.ns_per_deg = tdc.ns_per_deg;
  event.uncertainty_deg = tdc.uncertainty_deg;
  event.rpm = last_tdc_ns_ ? rpm_at(static_cast<double>(event.tdc_ns - *last_tdc_ns_) / cycle_.cycle_deg)
                           : rpm_over_turn(index).value_or(rpm_at(tdc.ns_per_deg));
  event.sync_margin = margin_of(ratios);
  event.state = state_;
  last_tdc_ns_ = event.tdc_ns;
  last_rpm_ = event.rpm;
  if (is_lock(state_)) {
    cycle_number_ += cycle_counted_ ? 1 : 0;
    cycle_counted_ = true;
    event.number = cycle_number_;
    events_.emplace_back(event);
  }
}

// ---- cams

std::vector<CamEdges> Sync::evidence(AngleSpan span) const {
  std::vector<CamEdges> all;
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    const std::vector<LocatedEdge>& edges = cams_[cam].edges;
    const auto first = std::find_if(edges.begin(), edges.end(),
                                    [span](const LocatedEdge& edge) { return edge.angle_deg >= span.from_deg; });
    all.push_back({&engine_.cams[cam], {first, edges.end()}, believed_shift(cam)});
  }
  return all;
}

// Without a gap the cam alone tells the tooth. One that was found out of its place (a belt that jumped) must not be taken
// to be in it at the next tooth after a lost lock.
std::optional<double> Sync::believed_shift(std::size_t cam) const {
  return tells_teeth(cam) ? last_shift_deg_[cam] : std::nullopt;
}

// Whether this cam alone can tell one tooth of a wheel without a gap from the next.
bool Sync::tells_teeth(std::size_t cam) const {
  const CamPattern& pattern = engine_.cams[cam];
  return turn_deg_ < deg_per_rev && pattern.fixed() && 2 * pattern.tolerance_deg < turn_deg_;
}

void Sync::seek_place() {
  constexpr double between_looks_deg = 90;
  const double here_deg = position_deg(last_tooth_);
  next_seek_deg_ = here_deg + between_looks_deg;
  const double watched_deg = here_deg - segment_position_deg_;
  const double cycle_deg = cycle_.cycle_deg;
  // A whole cycle must be seen: then edges that should have come and did not speak as well.
  if (watched_deg < cycle_deg || (cycle_.repeat_teeth == 1 && period_.contradicts())) {
    return;
  }
  std::vector<int> left;
  for (int cycles = 1; cycles <= place_window_cycles && !known_by(left); ++cycles) {
    const AngleSpan span{std::max(segment_position_deg_, here_deg - cycles * cycle_deg), here_deg};
    left = places_left(evidence(span), cycle_deg, turn_deg_, cycle_.places(), span, 0);
    if (!known_by(left) && watched_deg >= widened_after_cycles * cycle_deg && cycles >= widened_after_cycles) {
      left = places_left(evidence(span), cycle_deg, turn_deg_, cycle_.places(), span, belt_jump_deg_max);
    }
  }
  for (CamTrack& track : cams_) {
    std::erase_if(track.edges,
                  [&](const LocatedEdge& edge) { return edge.angle_deg < here_deg - doubt_kept_cycles * cycle_deg; });
  }
  const std::optional<PlaceKnown> known = known_by(left);
  if (!known) {
    restore_place();
    return;
  }
  if (known_ == PlaceKnown::turn && !is_left(left)) {
    contradict();
  } else if (*known != known_) {
    decide_place(left, *known);
  }
}

void Sync::decide_place(const std::vector<int>& left, PlaceKnown known) {
  const std::int64_t now_ns = tracker_.mark(walked_ - 1).t_ns;
  if (doubted_place_) {
    place_ = *doubted_place_;
    if (!is_left(left) && doubted_by_cams_ && could_be_belt(left.front())) {
      // A belt that jumped or a tooth miscounted: after odd edges, or on a slow crank, nothing here can tell.
      if (!doubted_on_odd_edges_) {
        restore_place();
      }
      return;
    }
    if (!is_left(left)) {
      held_.clear();  // the count was wrong, so what was taken for odd edges was not
      change_state(LockState::lost, now_ns, LossReason::contradicted);
    } else {
      std::fill(last_shift_deg_.begin(), last_shift_deg_.end(), std::nullopt);  // the count stands: what moved is a cam
    }
  }
  set_place(left.front(), known);
  change_state(locked_state(), now_ns, LossReason::none);
}

// Whether a belt or chain that jumped by whole teeth of a cam gear would look like the change to this place.
bool Sync::could_be_belt(int place) const {
  constexpr double slack_deg = 2 * known_shift_slack_deg;  // two shifts are compared
  const double change_deg = std::fabs(wrap_signed_deg((place - *doubted_place_) * turn_deg_, cycle_.cycle_deg));
  return std::any_of(engine_.cams.begin(), engine_.cams.end(), [&](const CamPattern& cam) {
    const double tooth_deg = cam.gear_teeth ? 2 * deg_per_rev / *cam.gear_teeth : 0;
    return tooth_deg > 0 && std::fabs(std::remainder(change_deg, tooth_deg)) < slack_deg;
  });
}

// Many odd edges, or some on a slow crank: without a gap nothing on the wheel shows a tooth miscounted among them.
bool Sync::miscount_likely(std::size_t faults) const {
  constexpr std::size_t many = 3;
  constexpr double slow_rpm = 1200;
  const bool slow = tracker_.ns_per_deg() > ns_per_deg_at(slow_rpm);
  // Of a wheel with few teeth so many may be a whole turn.
  constexpr int few_teeth = 12;
  const auto nearly_a_turn = static_cast<std::size_t>(std::max(1, cycle_.repeat_teeth - 2));
  const bool turn_lost =
      cycle_.repeat_teeth < few_teeth && cycle_.places() > 1 && known_ == PlaceKnown::cycle && faults >= nearly_a_turn;
  return turn_lost || (turn_deg_ < deg_per_rev && faults >= (slow ? 1 : many));
}

// So slow, a tooth may be lost in a dip of speed and no odd edge be seen.
bool Sync::may_miscount_unseen() const {
  constexpr double slow_rpm = 600;
  return last_rpm_ < slow_rpm;
}

// The claim is withdrawn until the cams have told the tooth anew, from what comes from now on.
void Sync::doubt_place(bool by_cams) {
  doubted_by_cams_ = by_cams;
  doubted_on_odd_edges_ = cycles_since_odd_ < place_looks;
  if (known_ != PlaceKnown::none) {
    doubted_place_ = place_;
    doubted_known_ = known_;
  }
  known_ = known_by_wheel();
  place_doubts_ = 0;
  period_.begin();
  const double here_deg = position_deg(last_tooth_);
  doubt_from_deg_ = std::max(segment_position_deg_, here_deg - (doubt_kept_cycles - doubt_cycles) * cycle_.cycle_deg);
  segment_position_deg_ = here_deg + turned_deg(walked_ - 1, tracker_.marks_end() - 1);
  next_seek_deg_ = 0;
  change_state(locked_state(), newest_ns(), LossReason::count_unsure);
}

// A cam that fits at no tooth has moved itself (a belt that jumped); the count of teeth was right.
void Sync::restore_place() {
  if (!doubted_place_ || position_deg(last_tooth_) - segment_position_deg_ < doubt_cycles * cycle_.cycle_deg) {
    return;
  }
  std::fill(last_shift_deg_.begin(), last_shift_deg_.end(), std::nullopt);
  segment_position_deg_ = doubt_from_deg_;  // what the cams did meanwhile is told now
  decide_place({*doubted_place_}, doubted_known_);
}

// What is known when these places are left; nothing when they say less than a turn, or nothing new.
std::optional<PlaceKnown> Sync::known_by(const std::vector<int>& places) const {
  if (places.empty()) {
    return std::nullopt;
  }
  if (places.size() == 1) {
    return PlaceKnown::cycle;
  }
  const bool turns_only = std::all_of(places.begin(), places.end(), [&](int place) {
    constexpr double same_deg = 1e-6;
    return std::fabs(wrap_signed_deg((place - places.front()) * turn_deg_, deg_per_rev)) < same_deg;
  });
  return turns_only && turn_deg_ < deg_per_rev ? std::optional(PlaceKnown::turn) : std::nullopt;
}

// Whether the place taken is one of these, modulo a turn where no more is known.
bool Sync::is_left(const std::vector<int>& places) const {
  const double modulo_deg = known_ == PlaceKnown::turn ? deg_per_rev : cycle_.cycle_deg;
  return std::any_of(places.begin(), places.end(), [&](int place) {
    return std::fabs(wrap_signed_deg((place - place_) * turn_deg_, modulo_deg)) < turn_deg_ / 2;
  });
}

// Without a known place no frame is closed; but a cam that gave no edge for a whole cycle is told all the same.
void Sync::tell_silent_cams() {
  const double here_deg = position_deg(last_tooth_);
  const AngleSpan span{here_deg - cycle_.cycle_deg, here_deg};
  if (span.from_deg < segment_position_deg_) {
    return;
  }
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    if (!cams_[cam].edges.empty() && cams_[cam].edges.back().angle_deg >= span.from_deg) {
      continue;
    }
    CamCycleEvent event;
    event.cam = cam;
    event.cycle = cycle_number_;
    event.span = span;
    event.match.missing_deg.push_back(span.from_deg);
    event.now_ns = tracker_.mark(walked_ - 1).t_ns;
    event.now_deg = here_deg;
    event.rpm = last_rpm_;
    events_.emplace_back(event);
  }
}

double Sync::frame_start_deg(const CamPattern& pattern) const {
  // The middle of the widest stretch without an expected edge.
  double widest = 0;
  double start = 0;
  for (std::size_t i = 0; i < pattern.edges.size(); ++i) {
    const double from = pattern.edges[i].angle_deg;
    const double to = i + 1 < pattern.edges.size() ? pattern.edges[i + 1].angle_deg
                                                   : pattern.edges.front().angle_deg + cycle_.cycle_deg;
    if (to - from > widest) {
      widest = to - from;
      start = (from + to) / 2;
    }
  }
  return start + (pattern.phaser_min_deg + pattern.phaser_max_deg) / 2;
}

// A cam is judged when the cycle is known, an index when the turn is.
bool Sync::judged(std::size_t cam) const {
  return known_ == PlaceKnown::cycle || (known_ == PlaceKnown::turn && engine_.cams[cam].turns_with_crank);
}

void Sync::set_place(int place, PlaceKnown known) {
  place_ = place;
  known_ = known;
  if (known == PlaceKnown::cycle) {
    doubted_place_.reset();
  }
  const double to_crank_deg = place_ * turn_deg_;
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    if (!judged(cam)) {
      continue;
    }
    CamTrack& track = cams_[cam];
    const double start = frame_start_deg(engine_.cams[cam]) - to_crank_deg;
    const double first = segment_position_deg_;
    track.frame_deg = first + wrap_deg(start - first, cycle_.cycle_deg);
    std::erase_if(track.edges, [&track](const LocatedEdge& edge) { return edge.angle_deg < track.frame_deg; });
  }
  plan_tdc();
  last_tdc_ns_.reset();
}

void Sync::close_frames() {
  const double here_deg = position_deg(last_tooth_);
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    // At most the few frames that a resumed lock may have left; each is one cycle.
    while (judged(cam) && cams_[cam].frame_deg + cycle_.cycle_deg <= here_deg) {
      close_frame(cam);
    }
  }
  // Some cycles after the last odd edge the cams have agreed with the count: what moves then is a cam itself.
  const bool moved = std::exchange(moved_, false);
  const bool index_moved = std::exchange(index_moved_, false);
  if (index_moved || (moved && cycles_since_odd_ < place_looks)) {
    doubt_place(true);
  } else if (place_doubts_ > 0 && cycle_.places() > 1) {
    --place_doubts_;
    check_place();
  }
  cycles_since_odd_ = may_miscount_unseen() ? 0 : cycles_since_odd_ + 1;
  for (std::size_t cam = 0; cam < cams_.size() && place_doubts_ == 0 && !doubted_place_; ++cam) {
    last_shift_deg_[cam] = cams_[cam].clean_shift_deg ? cams_[cam].clean_shift_deg : last_shift_deg_[cam];
  }
}

void Sync::close_frame(std::size_t cam) {
  CamTrack& track = cams_[cam];
  const CamPattern& pattern = engine_.cams[cam];
  const AngleSpan frame{track.frame_deg, track.frame_deg + cycle_.cycle_deg};
  const double here_deg = position_deg(last_tooth_);
  const AngleSpan span{frame.from_deg, std::min(frame.to_deg, here_deg)};
  const double to_crank_deg = place_ * turn_deg_;
  std::vector<LocatedEdge> edges;
  edges.reserve(track.edges.size());
  for (const LocatedEdge& edge : track.edges) {
    if (edge.angle_deg >= frame.from_deg && edge.angle_deg < frame.to_deg) {
      edges.push_back({edge.angle_deg + to_crank_deg, edge.t_ns, edge.edge, edge.uncertainty_deg});
    }
  }
  std::erase_if(track.edges, [&](const LocatedEdge& edge) {
    return edge.angle_deg < frame.to_deg - place_check_cycles * cycle_.cycle_deg;
  });
  track.frame_deg = frame.to_deg;
  CamCycleEvent event;
  event.first_edge_ns = edges.empty() ? 0 : edges.front().t_ns;
  event.last_edge_ns = edges.empty() ? 0 : edges.back().t_ns;
  ShiftRange shifts = allowed_shifts(pattern, belt_jump_deg_max);
  shifts.usual_deg = track.clean_shift_deg.value_or(0);
  event.cam = cam;
  event.cycle = cycle_number_;
  event.span = {span.from_deg + to_crank_deg, span.to_deg + to_crank_deg};
  event.match = match_cam(pattern, cycle_.cycle_deg, edges, event.span, shifts);
  if (event.match.matched > 0 && event.match.mismatches() == 0) {
    track.clean_shift_deg = event.match.shift_deg;
  }
  if (event.match.mismatches() > 1) {
    place_doubts_ = place_looks;
  }
  cams_fitted_ = cams_fitted_ || (event.match.matched > 0 && event.match.mismatches() == 0);
  misfit_frames_ += event.match.mismatches() > 1 ? 1 : 0;
  const bool moved = moved_by_teeth(cam, event.match);
  moved_ = moved_ || moved;
  index_moved_ = index_moved_ || (moved && pattern.turns_with_crank);
  event.now_ns = tracker_.mark(walked_ - 1).t_ns;
  event.now_deg = here_deg + to_crank_deg;
  event.rpm = last_rpm_;
  if (is_lock(state_) || suspended_) {
    events_.emplace_back(event);
  }
}

// On a wheel without a gap a tooth miscounted shows in the cams alone.
bool Sync::moved_by_teeth(std::size_t cam, const CamMatch& match) const {
  const std::optional<double> before_deg = believed_shift(cam);
  const bool moved = before_deg && match.matched > 0 && std::fabs(match.shift_deg - *before_deg) > turn_deg_ / 2;
  return moved || (tells_teeth(cam) && !match.missing_deg.empty() && !match.surplus.empty());
}

// Cams that agree on another place over some cycles contradict the one taken.
void Sync::check_place() {
  const double here_deg = position_deg(last_tooth_);
  const AngleSpan span{std::max(segment_position_deg_, here_deg - place_check_cycles * cycle_.cycle_deg), here_deg};
  const std::vector<int> left = places_left(evidence(span), cycle_.cycle_deg, turn_deg_, cycle_.places(), span, 0);
  if (known_by(left) && !is_left(left)) {
    contradict();
  }
}

void Sync::contradict() {
  tracker_.drop(LossReason::contradicted);
  lose(LossReason::contradicted, newest_ns());
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
