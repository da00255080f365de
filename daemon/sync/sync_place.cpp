// What the cams tell Sync: which turn, which tooth, whether the count can still be right, and each cam's own cycle.
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>

#include "geometry/angle.hpp"
#include "sync/crank_limits.hpp"
#include "sync/sync.hpp"

namespace cw {

namespace {

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
// Where it is open whether a belt jumped or teeth were miscounted, a cam that stands elsewhere by more than its play has moved.
constexpr double unmoved_slack_deg = 0.7;

}  // namespace

// A wheel that knows the cycle by itself: its first claim waits until the cams have fitted once, or have been so for some
// cycles in which the wheel held all the same.
bool Sync::cams_speak_against() const {
  constexpr int cycles_held = 4;
  return known_by_wheel() == PlaceKnown::cycle && !cams_fitted_ && misfit_frames_ > 0 && misfit_frames_ < cycles_held;
}

// What the wheel alone tells once it has been recognised.
PlaceKnown Sync::known_by_wheel() const {
  if (cycle_.places() == 1) {
    return PlaceKnown::cycle;
  }
  return turn_deg_ >= deg_per_rev ? PlaceKnown::turn : PlaceKnown::none;
}

std::vector<CamEdges> Sync::evidence(AngleSpan span) const {
  std::vector<CamEdges> all;
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    const std::vector<LocatedEdge>& edges = cams_[cam].edges;
    const auto first = std::find_if(edges.begin(), edges.end(),
                                    [span](const LocatedEdge& edge) { return edge.angle_deg >= span.from_deg; });
    all.push_back({&engine_.cams[cam],
                   {first, edges.end()},
                   believed_shift(cam),
                   belt_or_count_ ? unmoved_slack_deg : known_shift_slack_deg});
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
  const bool cams_unfit = cycle_.repeat_teeth == 1 && (period_.contradicts() || jump_.jumped());
  if (watched_deg < cycle_deg || cams_unfit) {
    return;
  }
  std::vector<int> left;
  for (int cycles = 1; cycles <= place_window_cycles && !known_by(left); ++cycles) {
    const AngleSpan span{std::max(segment_position_deg_, here_deg - cycles * cycle_deg), here_deg};
    left = places_by_cams(span, 0);
    if (!known_by(left) && watched_deg >= widened_after_cycles * cycle_deg && cycles >= widened_after_cycles) {
      left = places_by_cams(span, belt_jump_deg_max);
    }
  }
  // With few teeth a cycle or more lies between the doubt and what it looks at: all since the doubt is kept.
  const double kept_deg = here_deg - doubt_kept_cycles * cycle_deg;
  const double oldest_deg = doubted_place_ ? std::min(kept_deg, doubt_from_deg_) : kept_deg;
  for (CamTrack& track : cams_) {
    std::erase_if(track.edges, [&](const LocatedEdge& edge) { return edge.angle_deg < oldest_deg; });
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

// What the edges of the span leave, and with each place those that by the file's tolerances could look the same.
std::vector<int> Sync::places_by_cams(AngleSpan span, double extra_shift_deg) const {
  const int places = cycle_.places();
  std::vector<int> left = places_left(evidence(span), cycle_.cycle_deg, turn_deg_, places, span, extra_shift_deg);
  const std::size_t seen = left.size();
  for (std::size_t i = 0; i < seen; ++i) {
    for (const int steps : alike_) {
      const int place = (left[i] + steps) % places;
      if (std::find(left.begin(), left.end(), place) == left.end()) {
        left.push_back(place);
      }
    }
  }
  return left;
}

void Sync::decide_place(const std::vector<int>& left, PlaceKnown known) {
  const std::int64_t now_ns = tracker_.mark(walked_ - 1).t_ns;
  if (doubted_place_) {
    place_ = *doubted_place_;
    if (!is_left(left) && doubted_by_cams_ && could_be_belt(left.front())) {
      // A belt that jumped or a tooth miscounted: after odd edges, or on a slow crank, nothing here can tell.
      if (!doubted_on_odd_edges_) {
        restore_place();
      } else {
        belt_or_count_ = true;
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
  const bool slow = tracker_.ns_per_deg() > ns_per_deg_at(crank_limits::unsure_rpm);
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
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    // A phaser on its way makes a cycle of the cam so much longer.
    const CamPattern& pattern = engine_.cams[cam];
    const double longer_deg = pattern.phaser_max_deg - pattern.phaser_min_deg + 2 * pattern.tolerance_deg;
    const AngleSpan span{here_deg - cycle_.cycle_deg - longer_deg, here_deg};
    const std::vector<LocatedEdge>& edges = cams_[cam].edges;
    if (span.from_deg < segment_position_deg_ || (!edges.empty() && edges.back().angle_deg >= span.from_deg)) {
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
  shifts.found = track.clean_shift_deg.has_value();
  event.cam = cam;
  event.cycle = cycle_number_;
  event.span = {span.from_deg + to_crank_deg, span.to_deg + to_crank_deg};
  event.match = match_cam(pattern, cycle_.cycle_deg, edges, event.span, shifts);
  if (event.match.matched > 0 && event.match.mismatches() == 0) {
    track.clean_shift_deg = event.match.shift_deg;
  }
  if (span.to_deg < frame.to_deg) {
    judge_unfinished(event.match);
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
  const bool says_something = span.to_deg == frame.to_deg || event.match.matched + event.match.mismatches() > 0;
  if (says_something && (is_lock(state_) || suspended_)) {
    events_.emplace_back(event);
  }
}

// A cycle that the lock was lost in. Where the crank stands, or turns back, its last teeth are not where they seem to be: that
// an edge did not come is not known, and on a slow crank neither is that one was too many.
void Sync::judge_unfinished(CamMatch& match) const {
  match.missing_deg.clear();
  if (may_miscount_unseen()) {
    match.surplus.clear();
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
  const std::vector<int> left = places_by_cams(span, 0);
  if (known_by(left) && !is_left(left)) {
    contradict();
  }
}

void Sync::contradict() {
  tracker_.drop(LossReason::contradicted);
  lose(LossReason::contradicted, newest_ns());
}

}  // namespace cw
