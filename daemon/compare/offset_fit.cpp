#include "compare/offset_fit.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

#include "compare/line_fit.hpp"
#include "compare/robust.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr double us_per_s = 1e6;
constexpr std::size_t holds_least = 4;
constexpr double hold_sd_least_deg = 0.01;

LinePoint point_of(const Hold& hold) {
  const double of_readings = hold.spread_deg * hold.spread_deg / static_cast<double>(hold.readings);
  return {hold.rpm, hold.deviation_deg, 1 / (of_readings + hold_sd_least_deg * hold_sd_least_deg)};
}

// Marks the holds that lie far off the line that most agree on, when there are few enough of them.
std::vector<bool> stray(std::span<const LinePoint> points) {
  constexpr double spreads_away = 6;
  constexpr double least_away_deg = 0.3;
  constexpr std::size_t share_kept = 4;  // at most one in four is left out
  std::vector<bool> out(points.size(), false);
  const std::optional<Line> line = theil_sen(points);
  if (!line || points.size() <= holds_least) {
    return out;
  }
  std::vector<double> away;
  for (const LinePoint& point : points) {
    away.push_back(std::fabs(point.y - line->intercept - line->slope * point.x));
  }
  constexpr double normal_consistency = 1.4826;
  const double limit_deg = std::max(least_away_deg, spreads_away * normal_consistency * median(away));
  std::size_t count = 0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    out[i] = away[i] > limit_deg;
    count += out[i] ? 1 : 0;
  }
  const bool too_many = count > points.size() / share_kept || points.size() - count < holds_least;
  return too_many ? std::vector<bool>(points.size(), false) : out;
}

// Holds, cycles of one hold, or one stretch: whatever there are several of tells how sure the mean is.
double mean_half_width(std::span<const Hold> holds, double mean_deg) {
  if (holds.size() > 1) {
    double squares = 0;
    for (const Hold& hold : holds) {
      squares += (hold.deviation_deg - mean_deg) * (hold.deviation_deg - mean_deg);
    }
    const auto freedom = static_cast<double>(holds.size() - 1);
    return student_t_975(freedom) * std::sqrt(squares / freedom / static_cast<double>(holds.size()));
  }
  const Hold& hold = holds.front();
  if (hold.stretches > 1) {
    const auto count = static_cast<double>(hold.stretches);
    return student_t_975(count - 1) * hold.stretch_spread_deg() / std::sqrt(count);
  }
  const auto count = static_cast<double>(hold.readings);
  return student_t_975(count - 1) * hold.spread_deg / std::sqrt(count);
}

void describe(std::span<const Hold> holds, OffsetFit& fit) {
  fit.least_rpm = holds.front().rpm;
  fit.greatest_rpm = holds.front().rpm;
  double deviation = 0;
  double uncertainty = 0;
  for (const Hold& hold : holds) {
    fit.readings += hold.readings;
    fit.least_rpm = std::min(fit.least_rpm, hold.rpm);
    fit.greatest_rpm = std::max(fit.greatest_rpm, hold.rpm);
    fit.mean_rpm += hold.rpm / static_cast<double>(holds.size());
    deviation += hold.deviation_deg / static_cast<double>(holds.size());
    uncertainty += hold.uncertainty_deg / static_cast<double>(holds.size());
  }
  fit.deviation_deg = Estimate{deviation, std::hypot(mean_half_width(holds, deviation), uncertainty)};
}

// So many speeds that differ by a tenth or more, counted from the slowest.
int speeds_of(std::span<const Hold> holds) {
  constexpr double apart = 1.1;
  std::vector<double> rpm;
  for (const Hold& hold : holds) {
    rpm.push_back(hold.rpm);
  }
  std::sort(rpm.begin(), rpm.end());
  int count = 0;
  double last = 0;
  for (const double speed : rpm) {
    if (speed >= last * apart) {
      ++count;
      last = speed;
    }
  }
  return count;
}

bool well_spread(std::span<const Hold> holds, const OffsetFit& fit) {
  constexpr int speeds_least = 3;
  constexpr double spread_least = 1.5;
  return holds.size() >= holds_least && speeds_of(holds) >= speeds_least &&
         fit.greatest_rpm >= spread_least * fit.least_rpm;
}

// Scatter and what does not average away together. The ripple of the engine carries all readings off the same way.
std::optional<Estimate> estimate(std::span<const LinePoint> points, std::span<const Hold> used, const LineFit& line,
                                 const LineQuestion& question) {
  const std::optional<double> scatter = half_width_95(points, line, question);
  if (!scatter) {
    return std::nullopt;
  }
  double common = 0;
  const std::vector<double> share = shares(points, question);
  for (std::size_t i = 0; i < used.size(); ++i) {
    common += share[i] * used[i].uncertainty_deg;
  }
  return Estimate{question.of_intercept * line.intercept + question.of_slope * line.slope,
                  std::hypot(*scatter, common)};
}

bool line_fits(std::span<const LinePoint> points, const LineFit& line, OffsetFit& fit) {
  constexpr double runs_p_least = 0.01;
  constexpr double bend_told_deg = 0.05;  // a bend below this is not worth a word, however sure
  constexpr double residual_max_deg = 0.5;
  std::vector<std::size_t> order(points.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) { return points[a].x < points[b].x; });
  std::vector<double> along;
  double squares = 0;
  for (const std::size_t i : order) {
    along.push_back(line.residuals[i]);
    squares += line.residuals[i] * line.residuals[i];
  }
  fit.residual_deg = std::sqrt(squares / static_cast<double>(points.size() - 2));
  fit.runs_p = runs_test_p(along);
  return fit.residual_deg <= residual_max_deg && (fit.runs_p >= runs_p_least || fit.residual_deg <= bend_told_deg);
}

OffsetVerdict verdict_of(const OffsetFit& fit, bool fits) {
  if (!fits) {
    return OffsetVerdict::no_line;
  }
  const Estimate& offset = *fit.offset_deg;
  const Estimate& delay = *fit.delay_us;
  if (std::fabs(delay.value) - delay.half_width > delay_believed_us_max) {
    return OffsetVerdict::dwell_edge;
  }
  const bool angle = std::fabs(offset.value) > offset.half_width + angle_told_deg;
  const bool late = std::fabs(delay.value) > delay.half_width + delay_told_us;
  if (angle || late) {
    return angle && late ? OffsetVerdict::angle_and_delay : (angle ? OffsetVerdict::angle : OffsetVerdict::delay);
  }
  // Neither alone is sure: is there something at all?
  const double seen = std::fabs(fit.deviation_deg->value);
  return seen > fit.deviation_deg->half_width + 2 * angle_told_deg ? OffsetVerdict::cannot_tell_yet
                                                                   : OffsetVerdict::no_error;
}

}  // namespace

std::string_view to_string(OffsetVerdict verdict) {
  static constexpr std::array<std::string_view, 8> names = {
      "nothing-usable", "cannot-tell-yet", "no-line", "no-error", "angle", "delay", "angle-and-delay", "dwell-edge"};
  return names.at(static_cast<std::size_t>(verdict));
}

OffsetFit fit_offset(std::span<const Hold> holds) {
  OffsetFit fit;
  std::vector<LinePoint> all;
  for (const Hold& hold : holds) {
    all.push_back(point_of(hold));
  }
  fit.left_out = stray(all);
  std::vector<Hold> used;
  std::vector<LinePoint> points;
  for (std::size_t i = 0; i < holds.size(); ++i) {
    if (!fit.left_out[i]) {
      used.push_back(holds[i]);
      points.push_back(all[i]);
    }
  }
  if (used.empty()) {
    return fit;
  }
  describe(used, fit);
  fit.verdict = OffsetVerdict::cannot_tell_yet;
  const std::optional<LineFit> line = well_spread(used, fit) ? fit_line(points) : std::nullopt;
  if (!line) {
    return fit;
  }
  const std::optional<Estimate> offset = estimate(points, used, *line, {1, 0});
  const std::optional<Estimate> slope = estimate(points, used, *line, {0, 1});
  if (!offset || !slope) {
    return fit;  // one hold alone decides
  }
  constexpr double us_per_slope = us_per_s / deg_per_s_per_rpm;
  fit.offset_deg = offset;
  fit.delay_us = Estimate{slope->value * us_per_slope, slope->half_width * us_per_slope};
  for (const LinePoint& point : all) {
    fit.residuals_deg.push_back(point.y - line->intercept - line->slope * point.x);
  }
  fit.verdict = verdict_of(fit, line_fits(points, *line, fit));
  return fit;
}

}  // namespace cw
