// Sync along the teeth that are decided: where the edges of cams and reference stand among them, and TDC.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <type_traits>
#include <utility>

#include "geometry/angle.hpp"
#include "sync/sync.hpp"

namespace cw {

namespace {

constexpr double tracker_scatter_min_ns = 1500;

}  // namespace

// What walk() does not find anything due at.
std::size_t Sync::edges_until_due() const {
  const bool plain = tracker_.is_plain() && walked_ == tracker_.final_marks() && walked_ > segment_start_ &&
                     held_.empty() && state_ != LockState::no_signal && shaft_.verdict() == ShaftVerdict::agrees &&
                     (cycle_.repeat_teeth > 1 || known_ == PlaceKnown::cycle);
  if (!plain) {
    return 0;
  }
  const auto teeth = static_cast<std::int32_t>(cycle_.teeth.size());
  const std::int32_t to_ready =
      ready_tooth_ > last_tooth_ ? ready_tooth_ - last_tooth_ : ready_tooth_ + teeth - last_tooth_;
  const auto until_tdc = static_cast<std::uint64_t>(to_ready - 1);
  const std::uint64_t most = std::min(until_tdc, wheel_.edges_until_look());
  if (pending_.empty() ||
      std::all_of(pending_.begin(), pending_.end(), [this](const Pending& edge) { return only_noted(edge); })) {
    return most;
  }
  return std::min(most, first_mark_after(pending_.front()) - walked_);
}

// The first mark after this edge of those not walked over; one past the newest when there is none.
std::uint64_t Sync::first_mark_after(const Pending& edge) const {
  std::uint64_t index = std::clamp(edge.next_mark, walked_, tracker_.marks_end());
  while (index > walked_ && tracker_.mark(index - 1).t_ns > edge.t_ns) {
    --index;
  }
  while (index < tracker_.marks_end() && tracker_.mark(index).t_ns <= edge.t_ns) {
    ++index;
  }
  return index;
}

std::size_t Sync::plain_crank_edges(std::span<const std::int64_t> t_ns, std::span<const CamAmong> cams) {
  const std::int64_t newest_before_ns = newest_ns();
  const std::uint64_t marks_before = tracker_.marks_end();
  const std::int32_t tooth_before = tracker_.mark(marks_before - 1).tooth;
  const std::size_t taken = tracker_.take_plain(t_ns);
  if (taken == 0) {
    return 0;
  }
  before_newest_ns_ = taken > 1 ? t_ns[taken - 2] : newest_before_ns;
  strict_.plain_teeth(t_ns.first(taken), tooth_before % cycle_.repeat_teeth);
  wheel_.edges(t_ns.first(taken));
  for (const CamAmong& cam : cams) {
    if (cam.after < taken) {
      note_cam_edge(cam.cam, cam.edge, cam.t_ns, marks_before + cam.after);
      ++cams_since_crank_;
    }
  }
  if (cams_since_crank_ != 0) {
    cams_since_crank_ = 0;
    silence_reported_ = false;
  }
  const std::uint64_t end = walked_ + taken;
  while (!pending_.empty() && pending_.front().t_ns < tracker_.mark(end - 1).t_ns) {
    const std::uint64_t index = first_mark_after(pending_.front());
    pass_plainly(index);
    locate_pending(index);
  }
  pass_plainly(end);
  tracker_.note_used(walked_);
  return taken;
}

// Whether nothing comes of this edge's place but that it is kept for the end of the cycle.
bool Sync::only_noted(const Pending& edge) const {
  return edge.channel != reference_channel && known_ == PlaceKnown::cycle && !cam_patterns_.watches(edge.channel);
}

// Walks over the marks before `index`, less than a cycle of them, at which nothing is due.
void Sync::pass_plainly(std::uint64_t index) {
  if (index > walked_) {
    walked_ = index;
    const std::int32_t before = std::exchange(last_tooth_, tracker_.mark(index - 1).tooth);
    turns_base_deg_ += last_tooth_ <= before ? cycle_.cycle_deg : 0;
  }
}

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
  const auto add = [&](std::uint64_t i, double turned_deg) {
    x[count] = static_cast<double>(tracker_.mark(i).t_ns - t_ns);
    y[count] = turned_deg + late_deg(i);
    ++count;
  };
  const auto step_deg = [&](std::uint64_t i) {
    return cycle_.between_deg(tracker_.mark(i - 1).tooth, tracker_.mark(i).tooth);
  };
  // The nearest teeth first, so that each further one refines. Angles from the mark before.
  const double here_deg = step_deg(index);
  double forward_deg = here_deg;
  double back_deg = 0;
  add(index - 1, 0);
  if (index <= last) {
    add(index, forward_deg);
  }
  for (std::uint64_t away = 1; away <= after && !coarse_; ++away) {
    if (index - 1 >= first + away) {
      back_deg += step_deg(index - away);
      add(index - 1 - away, -back_deg);
    }
    if (index + away <= last) {
      forward_deg += step_deg(index + away);
      add(index + away, forward_deg);
    }
  }
  double correction = 0;
  const auto neville = [&](auto points) {
    for (std::size_t k = 0; k < points; ++k) {
      polynomial[k] = y[k];
      for (std::size_t j = k; j-- > 0;) {
        polynomial[j] = (x[k] * polynomial[j] - x[j] * polynomial[j + 1]) / (x[k] - x[j]);
      }
      // polynomial[0] now goes through the first k + 1 points.
      correction = k + 1 < points || k < 1 ? polynomial[0] : correction;
    }
  };
  if (count == x.size()) {
    neville(std::integral_constant<std::size_t, x.size()>());  // the rule; of fixed length, at half the cost
  } else {
    neville(count);
  }
  const double dip_deg = hidden_dip_deg(index);
  const double last_change_deg = count > 2 ? std::fabs(polynomial[0] - correction) : 0;
  const double ns_per_deg = static_cast<double>(tracker_.mark(index).t_ns - tracker_.mark(index - 1).t_ns) / here_deg;
  return {position_deg(tracker_.mark(index - 1).tooth) + polynomial[0], last_change_deg + dip_deg, ns_per_deg};
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
  const double before = ns_per_deg(index - 1);
  const double after = ns_per_deg(index + 1);
  const auto [faster, slower] = std::minmax(before, after);
  const double around = (before + after) / 2;
  // Far apart, with quite another speed on either side: starting or running down, it may have been any speed between.
  constexpr double quite_another = 1.3;
  if (coarse_ && slower > quite_another * faster) {
    return step / 2;
  }
  const double bend = share * step * std::fabs(ns_per_deg(index) / around - 1);
  // A straight line misses a steady change of speed by step / 8 times the change from one end to the other. Where speed
  // doubles or halves within one step no polynomial follows it either.
  constexpr double too_steep = 2;
  const double change = std::fabs(after - before);
  const bool steep = change > (too_steep - 1) * faster;
  const double slope = coarse_ || steep ? step / 16 * change / around : 0;
  return bend + slope + unseen_ripple_deg(step, ripple_order_, rpm_at(around));
}

void Sync::locate_pending(std::uint64_t index) {
  const std::int64_t end_ns = tracker_.mark(index).t_ns;
  while (!pending_.empty() && pending_.front().t_ns < end_ns) {
    const Pending edge = pending_.front();
    pending_.erase(pending_.begin());
    take_located(edge, interpolate(index, edge.t_ns));
  }
}

void Sync::take_located(const Pending& pending, const Located& at) {
  if (pending.channel == reference_channel) {
    const double rpm = rpm_at(tracker_.ns_per_deg());
    events_.emplace_back(ReferenceEvent{pending.t_ns, wrap_deg(at.deg + place_ * turn_deg_, cycle_.cycle_deg),
                                        at.uncertainty_deg, rpm, cycle_number_, state_, rpm_at(at.ns_per_deg)});
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
  std::uint64_t nearest_after = segment_start_;
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
      points.angle_deg[points.count] = deg + late_deg(i);
      points.t_ns[points.count] = static_cast<double>(mark.t_ns - base_ns);
      if (deg >= 0) {
        points.nearest_after = points.count;
        nearest_after = i;
      }
      ++points.count;
    }
    if (i == segment_start_) {
      break;
    }
    deg -= cycle_.between_deg(tracker_.mark(i - 1).tooth, mark.tooth);
  }
  points.hidden_dip_deg = nearest_after > segment_start_ ? hidden_dip_deg(nearest_after) : 0;
  return points;
}

// Whether the crank may have turned back within the last cycle, between teeth so far apart that nothing else shows it: a
// step in which it had the time to, and which took longer than a cycle ago, as one does when nothing drives the engine.
bool Sync::may_have_turned_back(std::uint64_t index) const {
  constexpr double far_apart_deg = 36;
  constexpr double longer = 1.1;
  const std::uint64_t teeth = cycle_.teeth.size();
  if (cycle_.mean_step_deg() < far_apart_deg) {
    return false;
  }
  const auto step_ns = [this](std::uint64_t i) {
    return static_cast<double>(tracker_.mark(i).t_ns - tracker_.mark(i - 1).t_ns);
  };
  for (std::uint64_t i = index; i > index - std::min(index, teeth) && i > segment_start_ + teeth; --i) {
    const double step_deg = cycle_.between_deg(tracker_.mark(i - 1).tooth, tracker_.mark(i).tooth);
    if (!cannot_stop_at(step_ns(i) / step_deg, step_deg) && step_ns(i) > longer * step_ns(i - teeth)) {
      return true;
    }
  }
  return false;
}

// Running, seldom after the first cycles, since a wheel's shape and a counter's tick don't change: how exactly the edges of the last turn are timed.
void Sync::watch_timing(std::uint64_t index) {
  constexpr int cycles_at_first = 16;
  constexpr int cycles_between = 16;
  constexpr double running_rpm = 500;
  const std::uint64_t turn = crank_turn_teeth_;
  const bool running = last_rpm_ > running_rpm;
  if (index < segment_start_ + turn) {
    return;
  }
  cycles_watched_ += running ? 1 : 0;
  if (cycles_watched_ > cycles_at_first && cycles_watched_ % cycles_between != 0) {
    return;
  }
  std::vector<TimedTooth> teeth;
  teeth.reserve(turn);
  for (std::uint64_t i = index - turn; i < index; ++i) {
    const CrankMark& from = tracker_.mark(i);
    const CrankMark& to = tracker_.mark(i + 1);
    tick_.take(to.t_ns - from.t_ns);
    teeth.push_back({from.t_ns, cycle_.between_deg(from.tooth, to.tooth), late_deg(i)});
  }
  tdc_.set_tick_ns(static_cast<double>(tick_.tick_ns()));
  if (const std::optional<double> scatter_deg = edge_scatter_deg(teeth)) {
    tdc_.take_scatter(*scatter_deg, running);
  }
}

void Sync::pass_tdc(std::uint64_t index) {
  const CrankTracker::RatioRange ratios = tracker_.take_ratios();
  watch_timing(index);
  const TdcPoints points = points_around_tdc(index);
  const std::optional<TdcEstimate> tdc = coarse_ ? tdc_.between_two(points) : tdc_.estimate(points);
  // Not known to half a tooth, nor to what anyone could set an engine by, nothing is claimed.
  constexpr double useful_deg = 15;
  if (tdc && tdc->uncertainty_deg < std::min(smallest_step_deg_ / 2, useful_deg) && index >= untold_until_ &&
      tracker_.well_supported(index) && tracker_.well_supported(index - std::min(index, points.count)) &&
      !may_have_turned_back(index)) {
    tracker_.set_edge_scatter_ns(std::max(tracker_scatter_min_ns, tdc_.edge_scatter_ns()));
    report_cycle(index, *tdc, ratios);
  } else {
    last_tdc_ns_.reset();
  }
  tell_tooth_times(index);
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

}  // namespace cw
