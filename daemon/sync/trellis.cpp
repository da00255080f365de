#include "sync/trellis.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace cw {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180.0;
constexpr double survivor_spread_max = 60.0;
// In a known position no crank can change the length of an interval by more than this factor beyond the scatter.
constexpr double possible_sigmas = 7.0;
constexpr double possible_log_ratio = 0.25;

// ln(x) for x near 1, to second order on both sides (Pade); within 9 % at x = 1/3 and 3 and cheap.
double near_log(double x) {
  return 2.0 * (x - 1.0) / (x + 1.0);
}

// exp(x) for small x.
double near_exp(double x) {
  return (2.0 + x) / (2.0 - x);
}

double rpm_of(double ns_per_deg) {
  return 1e9 / (6.0 * ns_per_deg);
}

double square(double x) {
  return x * x;
}

// exp(-angle / 360) for angles well below a turn.
double forget(double angle_deg) {
  return std::max(0.0, 1.0 - angle_deg / 360.0);
}

}  // namespace

double speed_scatter_per_rad(double rpm) {
  constexpr double at_150_rpm = 2.0;
  constexpr double least = 0.04;
  constexpr double most = 4.0;
  const double relative = 150.0 / std::max(rpm, 1.0);
  return std::clamp(at_150_rpm * relative * relative, least, most);
}

Trellis::Trellis(std::span<const double> step_deg) : step_deg_(step_deg.begin(), step_deg.end()) {
  for (const double step : step_deg_) {
    tooth_deg_.push_back(period_deg_);
    period_deg_ += step;
  }
  slot_of_tooth_.assign(step_deg_.size(), -1);
  survivors_.reserve(step_deg_.size());
  next_.reserve(step_deg_.size());
}

void Trellis::begin_unknown(std::int64_t t_ns) {
  known_start_ = false;
  survivors_.clear();
  nodes_.clear();
  for (std::size_t tooth = 0; tooth < step_deg_.size(); ++tooth) {
    Survivor survivor;
    survivor.tooth = static_cast<int>(tooth);
    survivor.t_ns = t_ns;
    survivors_.push_back(survivor);
  }
  best_ = 0;
  edges_ = 1;
}

void Trellis::begin_known(const Survivor& start) {
  known_start_ = true;
  survivors_.assign(1, start);
  nodes_.clear();
  survivors_.front().node = -1;
  survivors_.front().cost = 0;
  best_ = 0;
  edges_ = 0;
}

std::optional<Trellis::Fit> Trellis::fit(const Survivor& from, double angle_deg, double dt_ns,
                                         const ScatterModel& scatter) const {
  Fit result;
  if (from.ns_per_deg <= 0) {
    return result;  // the first interval gives the speed and can't be judged
  }
  result.distance_deg = (from.last_step_deg + angle_deg) / 2;
  const double drift = std::clamp(from.trend_per_deg * result.distance_deg, -0.7, 0.7);
  const double predicted_ns = from.ns_per_deg * near_exp(drift) * angle_deg;
  result.error = near_log(dt_ns / predicted_ns);

  const double rpm = rpm_of(from.ns_per_deg);
  const double speed_variance = square(0.5 * speed_scatter_per_rad(rpm) * result.distance_deg * rad_per_deg);
  const double last_ns = from.ns_per_deg * from.last_step_deg;
  const double edge_variance = 2 * square(scatter.edge_ns / predicted_ns) + 2 * square(scatter.edge_ns / last_ns) +
                               2 * square(scatter.edge_deg / angle_deg) +
                               2 * square(scatter.edge_deg / from.last_step_deg);
  const double variance = speed_variance + edge_variance;
  if (known_start_ &&
      square(std::max(0.0, std::fabs(result.error) - possible_log_ratio)) > square(possible_sigmas) * variance) {
    return std::nullopt;
  }
  result.gain = speed_variance / variance;
  result.cost = square(result.error) / (2 * variance);
  result.misfit = result.cost > misfit_cost_max;
  result.cost = std::min(result.cost, misfit_cost_max);
  return result;
}

void Trellis::offer(const Survivor& candidate) {
  int& slot = slot_of_tooth_[static_cast<std::size_t>(candidate.tooth)];
  if (slot < 0) {
    slot = static_cast<int>(next_.size());
    next_.push_back(candidate);
  } else if (candidate.cost < next_[static_cast<std::size_t>(slot)].cost) {
    next_[static_cast<std::size_t>(slot)] = candidate;
  }
}

void Trellis::accept(const Survivor& from, std::int64_t t_ns, const ScatterModel& scatter) {
  const auto dt_ns = static_cast<double>(t_ns - from.t_ns);
  double angle_deg = 0;
  int tooth = from.tooth;
  const int count = static_cast<int>(step_deg_.size());
  for (int missed = 0; missed <= missed_run_max; ++missed) {
    angle_deg += step_deg_[static_cast<std::size_t>(tooth)];
    tooth = tooth + 1 == count ? 0 : tooth + 1;
    const std::optional<Fit> fitted = fit(from, angle_deg, dt_ns, scatter);
    if (!fitted) {
      continue;
    }
    Survivor to;
    to.tooth = tooth;
    to.t_ns = t_ns;
    to.last_step_deg = angle_deg;
    const double measured = dt_ns / angle_deg;
    if (from.ns_per_deg > 0) {
      // Scatter is averaged away, speed is followed: the gain says how much of the error is which.
      const double follow = std::max(fitted->gain, 0.4);
      to.ns_per_deg = measured * near_exp(-(1 - follow) * std::clamp(fitted->error, -0.5, 0.5));
      to.trend_per_deg =
          fitted->gain * std::clamp(from.trend_per_deg + fitted->error / fitted->distance_deg, -0.08, 0.08);
    } else {
      to.ns_per_deg = measured;
    }
    to.cost = from.cost + fitted->cost;
    if (missed > 0) {
      to.cost += missed_cost + train_cost * (missed - 1);
    }
    to.misfit = from.misfit || fitted->misfit;
    to.had_extra = from.had_extra;
    to.had_missed = from.had_missed || missed > 0;
    const bool clean = missed == 0 && from.extra_run == 0 && !fitted->misfit;
    to.clean_deg = clean ? from.clean_deg + angle_deg : 0;
    to.clean_steps = clean ? from.clean_steps + 1 : 0;
    to.dirt = from.dirt * forget(angle_deg) + missed + (fitted->misfit ? 1 : 0);
    to.node = from.node;
    const int slot = slot_of_tooth_[static_cast<std::size_t>(to.tooth)];
    const bool wins = slot < 0 || to.cost < next_[static_cast<std::size_t>(slot)].cost;
    if (wins && known_start_) {
      nodes_.push_back({t_ns, from.node, to.tooth, static_cast<std::int16_t>(missed), false});
      to.node = static_cast<int>(nodes_.size()) - 1;
    }
    offer(to);
    if (from.ns_per_deg <= 0 && missed == 0) {
      return;  // without a speed nothing tells a missed tooth from a slow crank
    }
    // Longer ones only fit worse once this one is clearly too long.
    if (fitted->error < -1.0) {
      return;
    }
  }
}

void Trellis::reject(const Survivor& from, std::int64_t t_ns) {
  Survivor to = from;
  to.cost += from.extra_run == 0 ? extra_cost : train_cost;
  ++to.extra_run;
  to.clean_steps = 0;
  to.clean_deg = 0;
  to.dirt += 1;
  to.had_extra = true;
  const int slot = slot_of_tooth_[static_cast<std::size_t>(to.tooth)];
  const bool wins = slot < 0 || to.cost < next_[static_cast<std::size_t>(slot)].cost;
  if (wins && known_start_) {
    nodes_.push_back({t_ns, from.node, to.tooth, 0, true});
    to.node = static_cast<int>(nodes_.size()) - 1;
  }
  offer(to);
}

void Trellis::settle() {
  best_ = 0;
  for (std::size_t i = 1; i < next_.size(); ++i) {
    if (next_[i].cost < next_[best_].cost) {
      best_ = i;
    }
  }
  const double limit = next_[best_].cost + survivor_spread_max;
  if (known_start_) {
    const int best_tooth = next_[best_].tooth;
    std::erase_if(next_, [limit](const Survivor& survivor) { return survivor.cost > limit; });
    for (std::size_t i = 0; i < next_.size(); ++i) {
      best_ = next_[i].tooth == best_tooth ? i : best_;
    }
  } else {
    // Every place stays possible: a bad start must not rule one out for good.
    const double base = next_[best_].cost;
    for (Survivor& survivor : next_) {
      survivor.cost = std::min(survivor.cost, limit) - base;
    }
  }
  survivors_.swap(next_);
}

void Trellis::advance(std::int64_t t_ns, const ScatterModel& scatter) {
  ++edges_;
  next_.clear();
  std::fill(slot_of_tooth_.begin(), slot_of_tooth_.end(), -1);
  for (const Survivor& survivor : survivors_) {
    accept(survivor, t_ns, scatter);
    reject(survivor, t_ns);
  }
  settle();
}

double Trellis::position_deg(const Survivor& survivor, std::int64_t t_ns) const {
  const double base = tooth_deg_[static_cast<std::size_t>(survivor.tooth)];
  if (survivor.ns_per_deg <= 0) {
    return base;
  }
  return base + static_cast<double>(t_ns - survivor.t_ns) / survivor.ns_per_deg;
}

double Trellis::rival_margin(std::int64_t t_ns) const {
  const Survivor& winner = survivors_[best_];
  const double here = position_deg(winner, t_ns);
  const double half_step = period_deg_ / static_cast<double>(step_deg_.size()) / 2;
  double margin = no_rival;
  for (std::size_t i = 0; i < survivors_.size(); ++i) {
    const double away = std::fabs(std::remainder(position_deg(survivors_[i], t_ns) - here, period_deg_));
    if (i != best_ && away > half_step) {
      margin = std::min(margin, survivors_[i].cost - winner.cost);
    }
  }
  return margin;
}

std::vector<PathNode> Trellis::best_path() const {
  std::vector<PathNode> path;
  for (int node = best().node; node >= 0; node = nodes_[static_cast<std::size_t>(node)].parent) {
    path.push_back(nodes_[static_cast<std::size_t>(node)]);
  }
  std::reverse(path.begin(), path.end());
  return path;
}

}  // namespace cw
