#include "learn/flank_fit.hpp"

#include <algorithm>
#include <numeric>
#include <utility>

#include "geometry/angle.hpp"

namespace cw::learn {

namespace {

constexpr double step_sd_share = 0.6;   // of the mean step: a step of a list before anything is seen
constexpr double width_sd_share = 0.4;  // of the mean width

double next_lead(const Flanks& flanks, std::size_t i) {
  return i + 1 < flanks.lead_deg.size() ? flanks.lead_deg[i + 1] : deg_per_rev;
}

double mean_width(const Flanks& flanks, EqualWidth equal) {
  double sum = 0;
  for (std::size_t i = 0; i < flanks.lead_deg.size(); ++i) {
    sum += equal == EqualWidth::spaces ? next_lead(flanks, i) - flanks.trail_deg[i]
                                       : flanks.trail_deg[i] - flanks.lead_deg[i];
  }
  return sum / static_cast<double>(flanks.lead_deg.size());
}

std::vector<double> all_times(const Flanks& flanks) {
  std::vector<double> times = flanks.lead_deg;
  times.insert(times.end(), flanks.trail_deg.begin(), flanks.trail_deg.end());
  return times;
}

}  // namespace

std::optional<Flanks> flanks_of(std::span<const std::int64_t> lead_ns, std::span<const std::int64_t> trail_ns,
                                const Fold& fold, std::size_t teeth) {
  const std::size_t count = fold.at_deg.size();
  const auto placed = place_edges(trail_ns, lead_ns, fold, count);
  if (!placed || placed->size() != count || teeth == 0 || count % teeth != 0) {
    return std::nullopt;
  }
  Flanks flanks{teeth, fold.at_deg, {}};
  for (std::size_t i = 0; i < count; ++i) {
    const double at_deg = (*placed)[i].at_deg;
    if (at_deg <= flanks.lead_deg[i] || at_deg >= next_lead(flanks, i)) {
      return std::nullopt;
    }
    flanks.trail_deg.push_back(at_deg);
  }
  return flanks;
}

FlankFit::FlankFit(Flanks flanks, FlankWheel wheel)
    : flanks_(std::move(flanks)),
      wheel_(std::move(wheel)),
      turn_deg_(deg_per_rev / static_cast<double>(flanks_.turns())),
      width_deg_(mean_width(flanks_, wheel_.equal)),
      step_columns_(wheel_.pitches.empty() ? flanks_.teeth - 1 : 0),
      turning_(all_times(flanks_), wheel_.turning, unknowns()),
      ahead_deg_(ahead_of(wheel_.pitches)) {}

double FlankFit::log_evidence() const {
  return turning_.log_evidence(ahead_deg_);
}

double FlankFit::log_evidence_of(const std::vector<int>& pitches) const {
  return turning_.log_evidence(ahead_of(pitches));
}

// Of the teeth of a turn, and of the first of the next; of a list before anything is seen.
std::vector<double> FlankFit::even_or_pitched(const std::vector<int>& pitches) const {
  std::vector<double> angles = {0};
  const double positions =
      pitches.empty() ? static_cast<double>(flanks_.teeth) : std::accumulate(pitches.begin(), pitches.end(), 0.0);
  for (std::size_t i = 0; i < flanks_.teeth; ++i) {
    angles.push_back(angles.back() + turn_deg_ * (pitches.empty() ? 1 : pitches[i]) / positions);
  }
  return angles;
}

std::vector<double> FlankFit::ahead_of(const std::vector<int>& pitches) const {
  const std::vector<double> angles = even_or_pitched(pitches);
  const std::size_t count = flanks_.lead_deg.size();
  std::vector<double> ahead(2 * count);
  for (std::size_t i = 0; i < count; ++i) {
    const std::size_t tooth = i % flanks_.teeth;
    const std::size_t turn = i / flanks_.teeth;
    const double turn_deg = turn_deg_ * static_cast<double>(turn);
    const double trail_deg =
        wheel_.equal == EqualWidth::spaces ? angles[tooth + 1] - width_deg_ : angles[tooth] + width_deg_;
    ahead[i] = turn_deg + angles[tooth] - flanks_.lead_deg[i];
    ahead[count + i] = turn_deg + trail_deg - flanks_.trail_deg[i];
  }
  return ahead;
}

// The steps of a list before tooth `upto`: what they are longer than even ones. The last is what the others leave.
void FlankFit::add_steps(std::size_t upto, double sign, std::vector<double>& row) const {
  const double size_deg = step_sd_share * turn_deg_ / static_cast<double>(flanks_.teeth);
  for (std::size_t step = 0; step < std::min(upto, step_columns_) && upto < flanks_.teeth; ++step) {
    row[step] += sign * size_deg;
  }
}

// An edge later than thought is one at which the crank is less ahead: minus.
std::vector<std::vector<double>> FlankFit::unknowns() const {
  const std::size_t count = flanks_.lead_deg.size();
  const std::size_t widths = wheel_.equal == EqualWidth::none ? flanks_.teeth : 1;
  std::vector<std::vector<double>> rows(2 * count, std::vector<double>(step_columns_ + widths, 0.0));
  for (std::size_t i = 0; i < count; ++i) {
    const std::size_t tooth = i % flanks_.teeth;
    const bool space = wheel_.equal == EqualWidth::spaces;
    add_steps(tooth, -1, rows[i]);
    add_steps(space ? tooth + 1 : tooth, -1, rows[count + i]);
    const std::size_t column = step_columns_ + (widths == 1 ? 0 : tooth);
    rows[count + i][column] = (space ? 1 : -1) * width_sd_share * width_deg_;
  }
  return rows;
}

SmoothTurning::Estimate FlankFit::tooth(std::size_t from, std::size_t to) const {
  std::vector<double> row(step_columns_ + (wheel_.equal == EqualWidth::none ? flanks_.teeth : 1), 0.0);
  add_steps(to, 1, row);
  add_steps(from, -1, row);
  SmoothTurning::Estimate estimate = turning_.at(std::nullopt, row, ahead_deg_);
  const std::vector<double> angles = even_or_pitched(wheel_.pitches);
  estimate.ahead_deg += angles[to] - angles[from];
  return estimate;
}

SmoothTurning::Estimate FlankFit::place(double time_deg, std::size_t from) const {
  std::vector<double> row(step_columns_ + (wheel_.equal == EqualWidth::none ? flanks_.teeth : 1), 0.0);
  add_steps(from, -1, row);
  SmoothTurning::Estimate estimate = turning_.at(time_deg, row, ahead_deg_);
  const std::vector<double> angles = even_or_pitched(wheel_.pitches);
  estimate.ahead_deg += time_deg - angles[from] + tooth(0, from).ahead_deg;
  return estimate;
}

}  // namespace cw::learn
