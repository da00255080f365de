#include "sync/place_search.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

namespace {

// So many steps tell the speed well enough to call an edge out of its place.
constexpr int speed_known_steps = 3;

bool may_displace(const EdgeRow& row, int tooth) {
  return row.clean_steps >= speed_known_steps && (row.displaced_tooth < 0 || row.displaced_tooth == tooth);
}

// One step of a row: the edge at `t_ns` is `tooth`, `step_deg` after the one before, `next_deg` before the next.
struct RowStep {
  int tooth = 0;
  double step_deg = 0;
  double last_deg = 0;
  double next_deg = 0;
  std::int64_t t_ns = 0;
  std::int64_t last_ns = 0;  // when the edge before came
};

// The new edge is the one out of place: the crank goes on as expected.
bool take_displaced(EdgeRow& row, const RowStep& step, const StepFit& fit) {
  const auto dt_ns = static_cast<double>(step.t_ns - row.t_ns);
  if (!may_displace(row, step.tooth) || !may_be_displaced(fit, step.step_deg, dt_ns, step.next_deg)) {
    return false;
  }
  row.speed = coast(row.speed, step.step_deg, fit);
  row.t_ns += std::llround(fit.expected_ns);
  row.displaced_tooth = step.tooth;
  return true;
}

// The one before it was, by too little to misfit by itself: without it the new edge fits.
bool last_was_displaced(EdgeRow& row, const RowStep& step, const ScatterModel& scatter) {
  const int last_tooth = row.tooth;
  const auto last_dt_ns = static_cast<double>(row.t_ns - row.t_ns_before);
  const StepFit last = fit_step(row.speed_before, step.last_deg, last_dt_ns, scatter);
  if (!may_displace(row, last_tooth) || !may_be_displaced(last, step.last_deg, last_dt_ns, step.step_deg)) {
    return false;
  }
  const SpeedState speed = coast(row.speed_before, step.last_deg, last);
  const std::int64_t due_ns = row.t_ns_before + std::llround(last.expected_ns);
  const auto dt_ns = static_cast<double>(step.t_ns - due_ns);
  const StepFit fit = fit_step(speed, step.step_deg, dt_ns, scatter);
  if (fit.cost > misfit_cost_max) {
    return false;
  }
  row.speed = follow(speed, step.step_deg, dt_ns, fit);
  row.t_ns = step.t_ns;
  row.displaced_tooth = last_tooth;
  return true;
}

// A row that starts anew goes by when the edges came.
void restart(EdgeRow& row, const RowStep& step, const ScatterModel& scatter) {
  const auto dt_ns = static_cast<double>(step.t_ns - step.last_ns);
  const SpeedState speed = follow(row.speed, step.step_deg, dt_ns, fit_step(row.speed, step.step_deg, dt_ns, scatter));
  row = EdgeRow{};
  row.speed = speed;
  row.t_ns = step.t_ns;
}

// The row takes the edge for its next tooth. Returns what that costs.
double go_on(EdgeRow& row, const RowStep& step, const ScatterModel& scatter) {
  const auto dt_ns = static_cast<double>(step.t_ns - row.t_ns);
  const StepFit fit = fit_step(row.speed, step.step_deg, dt_ns, scatter);
  const SpeedState speed_before = row.speed;
  const std::int64_t t_ns_before = row.t_ns;
  double cost = fit.cost;
  if (fit.cost <= misfit_cost_max) {
    row.speed = follow(row.speed, step.step_deg, dt_ns, fit);
    row.t_ns = step.t_ns;
  } else if (last_was_displaced(row, step, scatter) || take_displaced(row, step, fit)) {
    cost = displaced_cost;
  } else {
    restart(row, step, scatter);
    row.tooth = step.tooth;
    return misfit_cost_max;
  }
  row.speed_before = speed_before;
  row.t_ns_before = t_ns_before;
  row.tooth = step.tooth;
  ++row.clean_steps;
  row.clean_deg += step.step_deg;
  return cost;
}

RowStep step_from(std::span<const double> step_deg, int tooth, std::int64_t t_ns, std::int64_t last_ns) {
  const int count = static_cast<int>(step_deg.size());
  const int next = tooth + 1 == count ? 0 : tooth + 1;
  const auto deg = [&](int from) { return step_deg[static_cast<std::size_t>(from)]; };
  return {next, deg(tooth), deg(tooth == 0 ? count - 1 : tooth - 1), deg(next), t_ns, last_ns};
}

// All of `t_ns` taken for teeth in a row, the first for tooth `first_tooth`.
double cost_in_a_row(std::span<const double> step_deg, std::size_t first_tooth, std::span<const std::int64_t> t_ns,
                     const ScatterModel& scatter) {
  EdgeRow row;
  row.tooth = static_cast<int>(first_tooth);
  row.t_ns = t_ns.front();
  double cost = 0;
  for (std::size_t i = 1; i < t_ns.size(); ++i) {
    cost += go_on(row, step_from(step_deg, row.tooth, t_ns[i], t_ns[i - 1]), scatter);
  }
  return cost;
}

}  // namespace

PlaceSearch::PlaceSearch(std::span<const double> step_deg)
    : step_deg_(step_deg.begin(), step_deg.end()),
      gap_deg_(*std::max_element(step_deg.begin(), step_deg.end())),
      rows_(step_deg.size()) {}

void PlaceSearch::begin(std::int64_t t_ns) {
  for (std::size_t tooth = 0; tooth < rows_.size(); ++tooth) {
    rows_[tooth] = EdgeRow{};
    rows_[tooth].tooth = static_cast<int>(tooth);
    rows_[tooth].t_ns = t_ns;
  }
  longest_ = 0;
  newest_ns_ = t_ns;
}

void PlaceSearch::advance(std::int64_t t_ns, const ScatterModel& scatter) {
  longest_ = 0;
  for (std::size_t i = 0; i < rows_.size(); ++i) {
    EdgeRow& row = rows_[i];
    const bool gap = step_deg_[static_cast<std::size_t>(row.tooth)] == gap_deg_;
    go_on(row, step_from(step_deg_, row.tooth, t_ns, newest_ns_), scatter);
    row.gaps += gap && row.clean_steps > 0 ? 1 : 0;
    longest_ = rows_[i].clean_steps > rows_[longest_].clean_steps ? i : longest_;
  }
  newest_ns_ = t_ns;
}

const EdgeRow& PlaceSearch::row_at(int tooth) const {
  return *std::find_if(rows_.begin(), rows_.end(), [tooth](const EdgeRow& row) { return row.tooth == tooth; });
}

RowVerdict judge_rows(std::span<const double> step_deg, std::span<const std::int64_t> t_ns,
                      const ScatterModel& scatter) {
  const std::size_t count = step_deg.size();
  RowVerdict verdict{0, no_rival_margin, no_rival_margin};
  double next_best = no_rival_margin;
  for (std::size_t first = 0; first < count; ++first) {
    const double cost = cost_in_a_row(step_deg, first, t_ns, scatter);
    if (cost < verdict.cost) {
      next_best = verdict.cost;
      verdict.cost = cost;
      verdict.tooth = static_cast<int>((first + t_ns.size() - 1) % count);
    } else {
      next_best = std::min(next_best, cost);
    }
  }
  verdict.margin = next_best < no_rival_margin ? next_best - verdict.cost : no_rival_margin;
  return verdict;
}

}  // namespace cw
