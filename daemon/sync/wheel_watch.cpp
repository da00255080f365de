#include "sync/wheel_watch.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <utility>

#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr std::uint64_t never = std::numeric_limits<std::uint64_t>::max();
// Of so many edges one more or less matters little to their rate.
constexpr std::uint64_t first_look = 6;
// All of the pattern, and an interval on either side.
constexpr std::size_t steps_around = 2;
// Of coarse wheels several turns are compared.
constexpr std::size_t steps_to_confirm = 16;
constexpr std::size_t steps_to_contradict = 40;
constexpr double running_rpm = 600;
// Longer steps leave room for a compression dip that looks like a gap (ripple_bend_max: a third, in ln).
constexpr double step_ns_max = 18e6;

WheelVerdict verdict_of(WheelFit fit) {
  switch (fit) {
    case WheelFit::fits:
      return WheelVerdict::fits;
    case WheelFit::tooth_missing:
      return WheelVerdict::tooth_missing;
    case WheelFit::tooth_displaced:
      return WheelVerdict::tooth_displaced;
    case WheelFit::edge_added:
      return WheelVerdict::edge_added;
    case WheelFit::wired_backwards:
      return WheelVerdict::wired_backwards;
    case WheelFit::other_wheel:
      break;
  }
  return WheelVerdict::other_wheel;
}

// A damaged wheel of the right kind is left to the search.
bool speaks_against(const WheelOpinion& opinion) {
  switch (opinion.verdict) {
    case WheelVerdict::fits:
    case WheelVerdict::tooth_missing:
    case WheelVerdict::tooth_displaced:
    case WheelVerdict::edge_added:
      return false;
    case WheelVerdict::other_wheel:
    case WheelVerdict::wired_backwards:
    case WheelVerdict::other_edge:
    case WheelVerdict::swapped:
    case WheelVerdict::other_shaft:
      break;
  }
  return true;
}

bool same(const std::optional<WheelOpinion>& before, const WheelOpinion& now) {
  // How a reluctor wired backwards splits its gaps wanders with speed: that is no other news.
  return before && before->verdict == now.verdict &&
         (now.verdict == WheelVerdict::wired_backwards || before->looks_like == now.looks_like);
}

}  // namespace

std::vector<std::int64_t> EdgeRing::newest(std::size_t most) const {
  const std::uint64_t count = std::min<std::uint64_t>({count_, most, kept});
  std::vector<std::int64_t> edges;
  edges.reserve(count);
  for (std::uint64_t i = count_ - count; i < count_; ++i) {
    edges.push_back(t_ns_[i & (kept - 1)]);
  }
  return edges;
}

WheelWatch::WheelWatch(const Engine& engine, const ToothCycle& file)
    : file_(file), cams_(engine.cams.size()), ripple_orders_(ripple_orders(engine)) {
  constexpr std::uint64_t step_least = 8;
  turn_steps_ = static_cast<std::size_t>(file.repeat_teeth) + steps_around;
  step_ = std::max(step_least, static_cast<std::uint64_t>(file.repeat_teeth) / 4);
  look_at_ = std::min(step_, first_look);
  confirmed_ = file.repeat_teeth == 1;
  for (const CamPattern& cam : engine.cams) {
    const auto alike = std::count_if(cam.edges.begin(), cam.edges.end(),
                                     [&](const CamEdge& edge) { return edge.edge == cam.edges.front().edge; });
    cam_share_.push_back(static_cast<double>(alike) / static_cast<double>(file.teeth.size()));
  }
}

// A cam's edges on the crank channel and the crank's on that cam's: then they come at each other's rate.
std::optional<WheelOpinion> WheelWatch::swapped_by_rate() {
  constexpr double apart = 2;  // rates that differ by less are not told apart
  constexpr double same = 1.25;
  constexpr int looks = 3;
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    const double share = cam_share_[cam];
    const double seen = static_cast<double>(cams_[cam].count()) / static_cast<double>(crank_.count());
    const double off = seen * share;  // 1 when swapped
    if (share * apart < 1 && off < same && off * same > 1) {
      ++swapped_looks_;
      look_at_ = crank_.count() + 1;  // a cam's edges come slowly
      if (swapped_looks_ < looks) {
        return std::nullopt;
      }
      WheelOpinion now;
      now.verdict = WheelVerdict::swapped;
      now.t_ns = crank_.newest(1).front();
      now.looks_like = "a cam's, " + std::to_string(crank_.count()) + " in the time of " +
                       std::to_string(cams_[cam].count()) + " on that cam's channel";
      now.cam = cam;
      return now;
    }
  }
  swapped_looks_ = 0;
  return std::nullopt;
}

std::optional<WheelOpinion> WheelWatch::look(bool locked) {
  look_at_ = crank_.count() < step_ ? step_ : crank_.count() + step_;
  if (!opinion_ || opinion_->verdict != WheelVerdict::fits) {
    if (opinion_ && opinion_->verdict == WheelVerdict::swapped) {
      return std::nullopt;
    }
    if (std::optional<WheelOpinion> swapped = swapped_by_rate()) {
      return take(std::move(*swapped));
    }
  }
  const std::vector<std::int64_t> edges = crank_.newest(EdgeRing::kept);
  const bool gap_sides_fit = confirmed_ || look_at_gap_sides();
  if (!confirmed_ && shifts_in_gap()) {
    return take(wired_backwards());
  }
  if (locked && !confirmed_ && gap_sides_fit) {
    const std::optional<WheelLook> first_look = look_at_wheel(edges, std::max(turn_steps_, steps_to_confirm), 1);
    confirmed_ = (first_look && fit(*first_look, file_) == WheelFit::fits) || explained_often_enough();
  }
  const std::optional<WheelLook> look = look_at_wheel(edges, std::max(turn_steps_, steps_to_contradict));
  if (!look) {
    const bool backwards = !confirmed_ && allows_lock() && looks_backwards_often();
    return backwards ? take(wired_backwards()) : std::nullopt;
  }
  WheelOpinion now;
  now.verdict = verdict_of(fit(*look, file_));
  now.t_ns = edges.back();
  now.edges = look->step_deg.size();
  if (now.verdict == WheelVerdict::fits && !gap_sides_fit) {
    return std::nullopt;
  }
  if (now.verdict == WheelVerdict::fits) {
    suspicion_.reset();
    confirmed_ = true;
    look_at_ = locked ? never : look_at_;
    return take(std::move(now));
  }
  return take_unlike(*look, std::move(now));
}

// A look at edges that the file does not explain.
std::optional<WheelOpinion> WheelWatch::take_unlike(const WheelLook& look, WheelOpinion now) {
  const double seen_ns = std::accumulate(look.step_ns.begin(), look.step_ns.end(), 0.0);
  const double step_ns = seen_ns / static_cast<double>(look.step_ns.size());
  const bool slow = step_ns > file_.mean_step_deg() * ns_per_deg_at(running_rpm);
  if (now.verdict == WheelVerdict::other_wheel && slow && may_be_file_in_ripple(look)) {
    suspicion_.reset();
    return std::nullopt;
  }
  if (!seen_often_enough(now, look.step_ns.size())) {
    return std::nullopt;
  }
  if (now.verdict == WheelVerdict::other_wheel) {
    now.verdict = verdict_elsewhere(now).value_or(now.verdict);
  }
  if (step_ns > step_ns_max && now.verdict != WheelVerdict::swapped) {
    return std::nullopt;
  }
  if (opinion_ && opinion_->verdict == now.verdict && opinion_->edges == now.edges && opinion_->named) {
    confirmed_ = confirmed_ || (now.verdict == WheelVerdict::tooth_displaced && runs());
    return std::nullopt;  // nothing new, and a name is dear to find
  }
  const std::vector<int> pitches = pitches_of(look);
  now.named = !pitches.empty();
  now.looks_like = words_of(look, pitches);
  confirmed_ = (confirmed_ && !speaks_against(now)) || (now.verdict == WheelVerdict::tooth_displaced && runs());
  return take(std::move(now));
}

WheelOpinion WheelWatch::wired_backwards() const {
  WheelOpinion now;
  now.verdict = WheelVerdict::wired_backwards;
  now.t_ns = crank_.newest(1).front();
  now.looks_like = words_of(file_) + " but for that";
  now.edges = static_cast<std::size_t>(file_.repeat_teeth);
  now.named = true;
  return now;
}

// In the edges in which the wheel is first seen to fit; where speed changes too much over them, in the newest. Whether a lock
// may be claimed as far as that goes: soon even if it stays unclear.
bool WheelWatch::look_at_gap_sides() {
  constexpr int in_place_to_forget = 8;
  const auto turn = static_cast<std::size_t>(file_.repeat_teeth);
  const std::size_t most = 2 * turn + 1;
  if (rough_ || crank_.count() < most) {
    return !off_tooth_;
  }
  const std::vector<std::int64_t> edges = crank_.newest(most);
  GapSides now = cw::look_at_gap_sides(edges, file_, ripple_orders_);
  if (now.verdict == GapSidesVerdict::unclear) {
    const GapSides newest = cw::look_at_gap_sides(std::span(edges).last(most - turn / 2), file_, ripple_orders_);
    now = newest.verdict == GapSidesVerdict::cannot_tell ? now : newest;
  }
  const auto all_ns = static_cast<double>(edges.back() - edges.front());
  const double rpm = rpm_at(all_ns / static_cast<double>(most - 1) / file_.mean_step_deg());
  const bool fresh = off_tooth_ && crank_.count() >= off_tooth_->at_count + most;
  if (now.verdict == GapSidesVerdict::off) {
    take_off_tooth(now, rpm, fresh);
  } else if (now.verdict == GapSidesVerdict::in_place && fresh) {
    off_tooth_->at_count = crank_.count();
    if (++off_tooth_->times_in_place >= in_place_to_forget) {
      off_tooth_.reset();
    }
  }
  if (now.verdict == GapSidesVerdict::unclear && !unclear_until_) {
    unclear_until_ = crank_.count() + turn;
  }
  if (off_tooth_) {
    constexpr std::size_t turns_held = 8;
    return dip_may_hide(rpm) && crank_.count() >= off_tooth_->since_count + turns_held * turn;
  }
  return now.verdict != GapSidesVerdict::unclear || crank_.count() >= *unclear_until_;
}

// A crank that is slowed once a turn, or not evenly, may always be slowed in the gap, unseen.
bool WheelWatch::dip_may_hide(double rpm) const {
  constexpr double cranked_rpm_max = 350;
  return rpm < cranked_rpm_max && !ripple_orders_.empty() && ripple_orders_.front() <= 1;
}

// Whether the crank turns so fast that a tooth out of its place and a dip of speed together can't pass for the gap.
bool WheelWatch::runs() const {
  const std::vector<std::int64_t> edges = crank_.newest(turn_steps_ + 1);
  const auto seen_ns = static_cast<double>(edges.back() - edges.front());
  return seen_ns < static_cast<double>(edges.size() - 1) * file_.mean_step_deg() * ns_per_deg_at(running_rpm);
}

void WheelWatch::take_off_tooth(const GapSides& now, double rpm, bool fresh) {
  constexpr double speed_ratio = 3;
  constexpr double same_pitches = 0.05;
  const bool believed_now = off_tooth_ && dip_may_hide(off_tooth_->rpm) && !dip_may_hide(rpm);
  if (!off_tooth_ || off_tooth_->before_gap != now.before_gap || believed_now) {
    const std::uint64_t since = off_tooth_ ? off_tooth_->since_count : crank_.count();
    off_tooth_ =
        OffTooth{now.off_pitches, now.off_pitches, now.off_pitches, rpm, now.before_gap, since, crank_.count()};
    return;
  }
  OffTooth& tooth = *off_tooth_;
  // The place where a signal crosses zero in a gap would have moved.
  rough_ = rpm > std::max(running_rpm, speed_ratio * tooth.rpm) &&
           std::fabs(now.off_pitches - tooth.off_pitches) < same_pitches;
  tooth.times_in_place = 0;
  if (fresh) {
    tooth.least_off_pitches = std::min(tooth.least_off_pitches, now.off_pitches);
    tooth.most_off_pitches = std::max(tooth.most_off_pitches, now.off_pitches);
    tooth.at_count = crank_.count();
    ++tooth.times;
  }
  if (rough_) {
    off_tooth_.reset();
  }
}

// Stretch after stretch, none of which the file explains. The look at the wheel needs a pattern that repeats.
bool WheelWatch::looks_backwards_often() {
  constexpr int times = 4;
  const std::size_t most = 2 * static_cast<std::size_t>(file_.repeat_teeth) + 1;
  if (crank_.count() < backwards_until_ + most) {
    return false;
  }
  const std::vector<std::int64_t> edges = crank_.newest(most);
  const double step_ns = static_cast<double>(edges.back() - edges.front()) / static_cast<double>(most - 1);
  if (step_ns > step_ns_max || can_explain(edges, file_)) {
    backwards_ = 0;
  } else if (can_explain_backwards(edges, file_)) {
    backwards_until_ = crank_.count();
    ++backwards_;
  }
  return backwards_ >= times;
}

// A tooth stays where it is, and rarely is a quarter of a pitch out of it.
bool WheelWatch::shifts_in_gap() const {
  constexpr double shift_pitches = 0.15;
  constexpr double far_off_pitches = 0.25;
  constexpr int times_far_off = 4;
  if (!off_tooth_ || dip_may_hide(off_tooth_->rpm)) {
    return false;
  }
  const double least = std::min(std::fabs(off_tooth_->least_off_pitches), std::fabs(off_tooth_->most_off_pitches));
  return off_tooth_->most_off_pitches - off_tooth_->least_off_pitches > shift_pitches ||
         (off_tooth_->times >= times_far_off && least > far_off_pitches);
}

// Where faults are so many that two turns in a row never come without one: single turns must be explained, some times over
// while the lock holds.
bool WheelWatch::explained_often_enough() {
  constexpr int times = 12;
  if (crank_.count() >= explained_until_ + turn_steps_ + 1 && can_explain(crank_.newest(turn_steps_ + 1), file_)) {
    explained_until_ = crank_.count();
    ++explained_;
  }
  return explained_ >= times;
}

// The same must be seen in stretches that have no edge in common; and many times over where the file has been seen to fit
// before, since wheels and wires rarely change while a capture runs.
bool WheelWatch::seen_often_enough(const WheelOpinion& now, std::size_t steps) {
  constexpr int times = 2;
  constexpr int times_after_fit = 8;
  constexpr std::int64_t ns_after_fit = 5'000'000'000;
  if (!suspicion_ || suspicion_->fit != now.verdict || suspicion_->edges != now.edges) {
    suspicion_ = Suspicion{now.verdict, now.edges, now.t_ns, crank_.count(), 1};
  } else if (crank_.count() >= suspicion_->at_count + steps) {
    suspicion_->at_count = crank_.count();
    ++suspicion_->times;
  }
  const bool has_fitted = opinion_ && opinion_->verdict == WheelVerdict::fits;
  return suspicion_->times >= (has_fitted ? times_after_fit : times) &&
         (!has_fitted || now.t_ns - suspicion_->since_ns >= ns_after_fit);
}

std::optional<WheelOpinion> WheelWatch::take(WheelOpinion now) {
  const bool news = !same(opinion_, now);
  opinion_ = std::move(now);
  return news ? opinion_ : std::nullopt;
}

// Cranked, compression may hide the gap, and comes again every second turn or so: what then repeats has whole turns of the
// file's wheel, or of even teeth those of one wave. A wheel that looks so is told as soon as the engine runs.
bool WheelWatch::may_be_file_in_ripple(const WheelLook& look) const {
  const std::size_t repeat = look.step_deg.size();
  const auto turn = static_cast<std::size_t>(file_.repeat_teeth);
  if (turn > 1) {
    return repeat > turn && repeat % turn == 0;
  }
  constexpr double about = 0.5;
  const double turn_teeth = deg_per_rev / file_.mean_step_deg();
  return std::any_of(ripple_orders_.begin(), ripple_orders_.end(),
                     [&](double order) { return std::fabs(static_cast<double>(repeat) - turn_teeth / order) < about; });
}

// Where else the file's crank pattern is seen. Even teeth are everywhere and say nothing.
std::optional<WheelVerdict> WheelWatch::verdict_elsewhere(WheelOpinion& opinion) const {
  constexpr int telling_teeth = 8;
  if (file_.repeat_teeth == 1) {
    return std::nullopt;
  }
  const auto fits_here = [this](const EdgeRing& ring) {
    const std::optional<WheelLook> look =
        look_at_wheel(ring.newest(EdgeRing::kept), std::max(turn_steps_, steps_to_contradict));
    return look && fit(*look, file_) == WheelFit::fits;
  };
  if (fits_here(other_)) {
    return WheelVerdict::other_edge;
  }
  for (std::size_t cam = 0; cam < cams_.size() && file_.repeat_teeth >= telling_teeth; ++cam) {
    if (fits_here(cams_[cam])) {
      opinion.cam = cam;
      return WheelVerdict::swapped;
    }
  }
  return std::nullopt;
}

void WheelWatch::forget() {
  crank_.clear();
  other_.clear();
  for (EdgeRing& cam : cams_) {
    cam.clear();
  }
  suspicion_.reset();
  off_tooth_.reset();
  unclear_until_.reset();
  backwards_ = 0;
  backwards_until_ = 0;
  rough_ = false;
  swapped_looks_ = 0;
  explained_ = 0;
  explained_until_ = 0;
  look_at_ = std::min(step_, first_look);
}

bool WheelWatch::allows_lock() const {
  return !opinion_ || !speaks_against(*opinion_);
}

bool WheelWatch::may_claim() const {
  if (!allows_lock()) {
    return false;
  }
  if (opinion_ && opinion_->verdict == WheelVerdict::tooth_displaced) {
    return runs();
  }
  const std::vector<std::int64_t> edges = crank_.newest(turn_steps_ + 1);
  return edges.size() < 2 || can_explain(edges, file_);
}

}  // namespace cw
