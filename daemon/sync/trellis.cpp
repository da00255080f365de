#include "sync/trellis.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

namespace {

constexpr std::size_t stories = 3;
constexpr double survivor_spread_max = 30.0;
// In a known position no crank can change the length of an interval by more than this factor beyond the scatter.
constexpr double possible_sigmas = 7.0;
constexpr double possible_log_ratio = 0.25;

// exp(-angle / 360) for angles well below a turn.
double forget(double angle_deg) {
  return std::max(0.0, 1.0 - angle_deg / 360.0);
}

}  // namespace

Trellis::Trellis(std::span<const double> step_deg) : step_deg_(step_deg.begin(), step_deg.end()) {
  for (const double step : step_deg_) {
    tooth_deg_.push_back(period_deg_);
    period_deg_ += step;
    gap_deg_ = std::max(gap_deg_, step);
  }
  slots_.assign(stories * step_deg_.size(), -1);
  survivors_.reserve(slots_.size());
  next_.reserve(slots_.size());
}

void Trellis::begin(const Survivor& start) {
  survivors_.assign(1, start);
  nodes_.clear();
  survivors_.front().node = -1;
  survivors_.front().cost = 0;
  edges_ = 0;
}

int& Trellis::slot(int tooth, Story story) {
  return slots_[stories * static_cast<std::size_t>(tooth) + static_cast<std::size_t>(story)];
}

bool Trellis::cheaper(double cost, int tooth, Story story) {
  const int taken = slot(tooth, story);
  return taken < 0 || cost < next_[static_cast<std::size_t>(taken)].cost;
}

void Trellis::put(const Survivor& survivor, Story story) {
  int& taken = slot(survivor.tooth, story);
  if (taken < 0) {
    taken = static_cast<int>(next_.size());
    next_.push_back(survivor);
  } else {
    next_[static_cast<std::size_t>(taken)] = survivor;
  }
}

void Trellis::accept(const Survivor& from, std::int64_t t_ns, const ScatterModel& scatter, std::optional<double> past) {
  const auto dt_ns = static_cast<double>(t_ns - from.t_ns);
  const int count = static_cast<int>(step_deg_.size());
  double angle_deg = 0;
  int tooth = from.tooth;
  for (int missed = 0; missed <= missed_run_max; ++missed) {
    angle_deg += step_deg_[static_cast<std::size_t>(tooth)];
    tooth = tooth + 1 == count ? 0 : tooth + 1;
    const StepFit fit = missed == 0 && past ? fit_step_as_before(from.speed, angle_deg, dt_ns, *past, scatter)
                                            : fit_step(from.speed, angle_deg, dt_ns, scatter);
    const bool impossible =
        std::fabs(fit.error) * (1 - possible_sigmas / std::max(fit.sigmas, 1e-9)) > possible_log_ratio;
    const bool leap = missed == 0 && fit.cost > misfit_cost_max;
    if (missed == 0 && may_be_displaced(fit, angle_deg, dt_ns, step_deg_[static_cast<std::size_t>(tooth)])) {
      accept_displaced(from, t_ns, tooth, angle_deg, fit);
    }
    if (leap && may_have_jumped(from, dt_ns)) {
      accept_jump(from, t_ns);
    } else if (!impossible) {
      accept_as(from, t_ns, tooth, missed, angle_deg, fit);
    }
    // Without a speed nothing tells a missed tooth from a slow crank; and longer ones only fit worse once this one is
    // clearly too long.
    if (from.speed.ns_per_deg <= 0 || fit.error < -1.0) {
      return;
    }
  }
}

void Trellis::accept_as(const Survivor& from, std::int64_t t_ns, int tooth, int missed, double angle_deg,
                        const StepFit& fit) {
  const bool misfit = fit.cost > misfit_cost_max;
  const double cost =
      from.cost + std::min(fit.cost, misfit_cost_max) + (missed > 0 ? missed_cost + train_cost * (missed - 1) : 0.0);
  if (!cheaper(cost, tooth, Story::tooth)) {
    return;
  }
  Survivor to = from;
  to.tooth = tooth;
  to.displaced = false;
  to.t_ns = t_ns;
  // A misfit beside missed or extra edges is a slip of place at a speed that goes on; alone it is a leap of speed.
  const bool slip = misfit && (missed > 0 || from.extra_run > 0);
  to.speed = slip ? from.speed : follow(from.speed, angle_deg, static_cast<double>(t_ns - from.t_ns), fit);
  to.cost = cost;
  to.step_cost = std::min(fit.cost, misfit_cost_max);
  to.extra_run = 0;
  to.misfit = from.misfit || misfit;
  to.had_missed = from.had_missed || missed > 0;
  const bool clean = missed == 0 && from.extra_run == 0 && !misfit;
  to.clean_steps = clean ? from.clean_steps + 1 : 0;
  to.steps_since_gap = !clean                     ? -1
                       : angle_deg == gap_deg_    ? 0
                       : from.steps_since_gap < 0 ? -1
                                                  : from.steps_since_gap + 1;
  to.dirt = from.dirt * forget(angle_deg) + missed + (misfit ? 1 : 0);
  to.missed_run = missed;
  if (missed > 0 || misfit) {
    to.trend_before_fault_per_deg = from.speed.trend_per_deg;
  }
  to.node = add_node({t_ns, from.node, tooth, static_cast<std::int16_t>(missed),
                      missed > 0 ? ToothFault::missed : ToothFault::none, 0});
  put(to, Story::tooth);
}

// The next tooth, out of its place: the crank went on as before, and what comes next is measured from where the tooth
// should be. Two in a row are rather a change of speed.
void Trellis::accept_displaced(const Survivor& from, std::int64_t t_ns, int tooth, double angle_deg,
                               const StepFit& fit) {
  const double cost = from.cost + displaced_cost;
  if (from.displaced || from.extra_run > 0 || from.missed_run > 0 || !cheaper(cost, tooth, Story::displaced)) {
    return;
  }
  Survivor to = from;
  to.tooth = tooth;
  to.t_ns = from.t_ns + std::llround(fit.expected_ns);
  to.speed = coast(from.speed, angle_deg, fit);
  to.cost = cost;
  to.step_cost = displaced_cost;
  to.displaced = true;
  to.clean_steps = 0;
  to.steps_since_gap = -1;
  to.dirt = from.dirt * forget(angle_deg) + 1;
  to.node = add_node({t_ns, from.node, tooth, 0, ToothFault::none, 0});
  put(to, Story::displaced);
}

int Trellis::add_node(const PathNode& node) {
  nodes_.push_back(node);
  return static_cast<int>(nodes_.size()) - 1;
}

// By how much the interval is too long for the next tooth at the speed before it.
double Trellis::jump_deg(const Survivor& from, double dt_ns) const {
  return dt_ns / from.speed.ns_per_deg - step_deg_[static_cast<std::size_t>(from.tooth)];
}

// A running crank does not leap in speed from one tooth to the next; the wheel on it may slip, by any part of a tooth. By
// a whole number of teeth it is missed teeth or edges too many.
bool Trellis::may_have_jumped(const Survivor& from, double dt_ns) const {
  constexpr double running_ns_per_deg = 4e5;  // some 400 rpm; slower, speed itself changes as much
  constexpr double jump_max_deg = 40;
  constexpr double part_of_tooth = 0.15;
  if (from.had_jump || from.extra_run > 0 || from.speed.ns_per_deg > running_ns_per_deg) {
    return false;
  }
  const double jump = jump_deg(from, dt_ns);
  const double teeth = jump / step_deg_[static_cast<std::size_t>(from.tooth)];
  return std::fabs(jump) <= jump_max_deg && std::fabs(teeth - std::round(teeth)) >= part_of_tooth;
}

// The next tooth, but the wheel has slipped on its shaft since the last: speed goes on, the angle does not fit.
void Trellis::accept_jump(const Survivor& from, std::int64_t t_ns) {
  const int next = from.tooth + 1 == static_cast<int>(step_deg_.size()) ? 0 : from.tooth + 1;
  const double cost = from.cost + jump_cost;
  if (!cheaper(cost, next, Story::tooth)) {
    return;
  }
  Survivor to = from;
  to.tooth = next;
  to.displaced = false;
  to.t_ns = t_ns;
  to.cost = cost;
  to.clean_steps = 0;
  to.steps_since_gap = -1;
  to.missed_run = 0;
  to.had_jump = true;
  to.dirt = from.dirt * forget(step_deg_[static_cast<std::size_t>(from.tooth)]) + 1;
  to.trend_before_fault_per_deg = from.speed.trend_per_deg;
  const auto jump = static_cast<float>(jump_deg(from, static_cast<double>(t_ns - from.t_ns)));
  to.node = add_node({t_ns, from.node, next, 0, ToothFault::jump, jump});
  put(to, Story::tooth);
}

void Trellis::reject(const Survivor& from, std::int64_t t_ns) {
  Survivor to = from;
  to.cost += from.extra_run == 0 ? extra_cost : train_cost;
  ++to.extra_run;
  to.clean_steps = 0;
  to.steps_since_gap = -1;
  to.dirt += 1;
  to.had_extra = true;
  if (from.extra_run == 0) {
    to.trend_before_fault_per_deg = from.speed.trend_per_deg;
  }
  if (!cheaper(to.cost, to.tooth, Story::extra)) {
    return;
  }
  to.node = add_node({t_ns, from.node, to.tooth, 0, ToothFault::extra, 0});
  put(to, Story::extra);
}

void Trellis::settle() {
  const auto cheaper_one = [](const Survivor& a, const Survivor& b) { return a.cost < b.cost; };
  std::iter_swap(next_.begin(), std::min_element(next_.begin(), next_.end(), cheaper_one));
  const double limit = next_.front().cost + survivor_spread_max;
  std::erase_if(next_, [limit](const Survivor& survivor) { return survivor.cost > limit; });
  survivors_.swap(next_);
}

void Trellis::advance(std::int64_t t_ns, const ScatterModel& scatter, const PastSteps* past, std::uint64_t now) {
  ++edges_;
  next_.clear();
  std::fill(slots_.begin(), slots_.end(), -1);
  for (const Survivor& survivor : survivors_) {
    accept(survivor, t_ns, scatter, past != nullptr ? past->log_ratio(survivor.tooth, now) : std::nullopt);
    reject(survivor, t_ns);
  }
  settle();
}

double Trellis::position_deg(const Survivor& survivor, std::int64_t t_ns) const {
  const double base = tooth_deg_[static_cast<std::size_t>(survivor.tooth)];
  if (survivor.speed.ns_per_deg <= 0) {
    return base;
  }
  return base + static_cast<double>(t_ns - survivor.t_ns) / survivor.speed.ns_per_deg;
}

double Trellis::rival_margin(std::int64_t t_ns, int clean_steps) const {
  const Survivor& winner = best();
  const double here = position_deg(winner, t_ns);
  const double half_step = period_deg_ / static_cast<double>(step_deg_.size()) / 2;
  double margin = no_rival;
  for (const Survivor& survivor : survivors_) {
    const double away = std::fabs(std::remainder(position_deg(survivor, t_ns) - here, period_deg_));
    if (away > half_step && survivor.clean_steps >= clean_steps) {
      margin = std::min(margin, survivor.cost - winner.cost);
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
