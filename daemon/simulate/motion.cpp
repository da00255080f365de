#include "simulate/motion.hpp"

namespace cw::sim {

double Cubic::solve(double target) const {
  const double start = at(0);
  const double change = at(1) - start;
  if (change == 0) {
    return 0;
  }
  double low = 0;
  double high = 1;
  double u = std::clamp((target - start) / change, 0.0, 1.0);
  for (int round = 0; round < 60; ++round) {
    const double miss = at(u) - target;
    if ((miss > 0) == (change > 0)) {
      high = u;
    } else {
      low = u;
    }
    const double grade = slope(u);
    double next = grade != 0 ? u - miss / grade : low;
    if (!(next >= low && next <= high)) {
      next = 0.5 * (low + high);
    }
    const double move = std::fabs(next - u);
    u = next;
    if (move < 1e-11) {
      break;
    }
  }
  return u;
}

namespace {

// Index of the last knot at or before `t_s`; requires a motion of two knots or more and t_s within it.
std::size_t knot_before(const Motion& motion, double t_s) {
  const auto after =
      std::upper_bound(motion.begin(), motion.end(), t_s, [](double t, const Knot& knot) { return t < knot.t_s; });
  const auto index = static_cast<std::size_t>(after - motion.begin());
  return std::min(index > 0 ? index - 1 : 0, motion.size() - 2);
}

Cubic path_between(const Knot& k0, const Knot& k1) {
  const double step_s = k1.t_s - k0.t_s;
  return Cubic::hermite(k0.crank_deg, k1.crank_deg - k0.crank_deg, k0.speed_deg_s * step_s, k1.speed_deg_s * step_s);
}

}  // namespace

Knot state_at(const Motion& motion, double t_s) {
  if (motion.empty()) {
    return {t_s, 0, 0};
  }
  if (motion.size() < 2 || t_s <= motion.front().t_s) {
    return motion.front();
  }
  if (t_s >= motion.back().t_s) {
    return motion.back();
  }
  const std::size_t i = knot_before(motion, t_s);
  const double step_s = motion[i + 1].t_s - motion[i].t_s;
  if (step_s <= 0) {
    return motion[i + 1];
  }
  const Cubic path = path_between(motion[i], motion[i + 1]);
  const double u = (t_s - motion[i].t_s) / step_s;
  return {t_s, path.at(u), path.slope(u) / step_s};
}

std::optional<double> time_at(const Motion& motion, double crank_deg, double from_s) {
  if (motion.size() < 2 || from_s > motion.back().t_s) {
    return std::nullopt;
  }
  // The part of the first step before from_s does not count.
  Knot k0 = state_at(motion, from_s);
  k0.t_s = std::max(from_s, motion.front().t_s);
  for (std::size_t i = knot_before(motion, from_s) + 1; i < motion.size(); ++i) {
    const Knot& k1 = motion[i];
    const bool inside = (k0.crank_deg <= crank_deg && crank_deg <= k1.crank_deg) ||
                        (k1.crank_deg <= crank_deg && crank_deg <= k0.crank_deg);
    if (inside && k1.t_s > k0.t_s) {
      return k0.t_s + path_between(k0, k1).solve(crank_deg) * (k1.t_s - k0.t_s);
    }
    k0 = k1;
  }
  return std::nullopt;
}

double PhaseTrack::at(const Knot& knot) {
  double phase = fixed_deg_;
  for (Running& running : steps_) {
    if (running.done < 1) {
      const double share = (knot.crank_deg - running.step.from_deg) / running.step.span_deg;
      running.done = std::clamp(share, running.done, 1.0);
    }
    phase += running.done * running.step.by_deg;
  }
  if (points_.empty()) {
    return phase;
  }
  while (point_ + 1 < points_.size() && points_[point_ + 1].first <= knot.t_s) {
    ++point_;
  }
  const auto& [t0, deg0] = points_[point_];
  if (point_ + 1 == points_.size() || knot.t_s <= t0) {
    return phase + deg0;
  }
  const auto& [t1, deg1] = points_[point_ + 1];
  return phase + deg0 + (deg1 - deg0) * (knot.t_s - t0) / (t1 - t0);
}

MarkCursor::MarkCursor(std::span<const double> marks_deg, double period_deg, double wheel_deg)
    : marks_deg_(marks_deg), period_deg_(period_deg) {
  turn_ = static_cast<std::int64_t>(std::floor(wheel_deg / period_deg));
  const double within_deg = wheel_deg - static_cast<double>(turn_) * period_deg;
  const auto next = std::upper_bound(marks_deg.begin(), marks_deg.end(), within_deg);
  slot_ = static_cast<std::size_t>(next - marks_deg.begin());
  behind_deg_ = slot_ > 0 ? angle_of(turn_, slot_ - 1) : angle_of(turn_ - 1, marks_deg.size() - 1);
  if (slot_ == marks_deg.size()) {
    slot_ = 0;
    ++turn_;
  }
  ahead_deg_ = angle_of(turn_, slot_);
}

void MarkCursor::go_forward() {
  behind_deg_ = ahead_deg_;
  ++slot_;
  if (slot_ == marks_deg_.size()) {
    slot_ = 0;
    ++turn_;
  }
  ahead_deg_ = angle_of(turn_, slot_);
}

void MarkCursor::go_back() {
  ahead_deg_ = behind_deg_;
  if (slot_ == 0) {
    slot_ = marks_deg_.size();
    --turn_;
  }
  --slot_;
  behind_deg_ = slot_ > 0 ? angle_of(turn_, slot_ - 1) : angle_of(turn_ - 1, marks_deg_.size() - 1);
}

}  // namespace cw::sim
