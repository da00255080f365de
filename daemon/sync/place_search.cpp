#include "sync/place_search.hpp"

#include <algorithm>

namespace cw {

namespace {

// All of `t_ns` taken for teeth in a row, the first for tooth `first_tooth`.
double cost_in_a_row(std::span<const double> step_deg, std::size_t first_tooth, std::span<const std::int64_t> t_ns,
                     const ScatterModel& scatter) {
  SpeedState speed;
  double cost = 0;
  std::size_t tooth = first_tooth;
  for (std::size_t i = 1; i < t_ns.size(); ++i) {
    const auto dt_ns = static_cast<double>(t_ns[i] - t_ns[i - 1]);
    const StepFit fit = fit_step(speed, step_deg[tooth], dt_ns, scatter);
    cost += std::min(fit.cost, misfit_cost_max);
    speed = follow(speed, step_deg[tooth], dt_ns, fit);
    tooth = tooth + 1 == step_deg.size() ? 0 : tooth + 1;
  }
  return cost;
}

}  // namespace

PlaceSearch::PlaceSearch(std::span<const double> step_deg)
    : step_deg_(step_deg.begin(), step_deg.end()), rows_(step_deg.size()) {}

void PlaceSearch::begin(std::int64_t t_ns) {
  for (std::size_t tooth = 0; tooth < rows_.size(); ++tooth) {
    rows_[tooth] = EdgeRow{static_cast<int>(tooth), {}, 0, 0};
  }
  longest_ = 0;
  newest_ns_ = t_ns;
}

void PlaceSearch::advance(std::int64_t t_ns, const ScatterModel& scatter) {
  const auto dt_ns = static_cast<double>(t_ns - newest_ns_);
  newest_ns_ = t_ns;
  longest_ = 0;
  for (std::size_t i = 0; i < rows_.size(); ++i) {
    EdgeRow& row = rows_[i];
    const double step_deg = step_deg_[static_cast<std::size_t>(row.tooth)];
    const StepFit fit = fit_step(row.speed, step_deg, dt_ns, scatter);
    row.speed = follow(row.speed, step_deg, dt_ns, fit);
    row.tooth = row.tooth + 1 == static_cast<int>(step_deg_.size()) ? 0 : row.tooth + 1;
    const bool misfit = fit.cost > misfit_cost_max;
    row.clean_steps = misfit ? 0 : row.clean_steps + 1;
    row.clean_deg = misfit ? 0 : row.clean_deg + step_deg;
    longest_ = row.clean_steps > rows_[longest_].clean_steps ? i : longest_;
  }
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
