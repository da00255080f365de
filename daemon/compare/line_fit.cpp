#include "compare/line_fit.hpp"

#include <algorithm>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>

#include "compare/robust.hpp"

namespace cw {

namespace {

// Sums about the weighted means: small numbers, so that nothing cancels.
struct Moments {
  double weight = 0;
  double mean_x = 0;
  double mean_y = 0;
  double xx = 0;
  double xy = 0;
};

Moments moments_of(std::span<const LinePoint> points) {
  Moments sums;
  for (const LinePoint& point : points) {
    sums.weight += point.weight;
    sums.mean_x += point.weight * point.x;
    sums.mean_y += point.weight * point.y;
  }
  sums.mean_x /= sums.weight;
  sums.mean_y /= sums.weight;
  for (const LinePoint& point : points) {
    const double dx = point.x - sums.mean_x;
    sums.xx += point.weight * dx * dx;
    sums.xy += point.weight * dx * (point.y - sums.mean_y);
  }
  return sums;
}

// How much a point's own y counts in its height on the line, 0 to 1.
double leverage(const Moments& sums, const LinePoint& point) {
  const double dx = point.x - sums.mean_x;
  return point.weight * (1 / sums.weight + dx * dx / sums.xx);
}

double share(const Moments& sums, const LinePoint& point, const LineQuestion& question) {
  return point.weight * (question.of_intercept / sums.weight +
                         (question.of_slope - question.of_intercept * sums.mean_x) * (point.x - sums.mean_x) / sums.xx);
}

// Terms of the hypergeometric count of runs: ways to cut `count` like signs into `pieces` runs.
double ways(int count, int pieces) {
  if (pieces < 1 || pieces > count) {
    return 0;
  }
  double product = 1;
  for (int i = 1; i < pieces; ++i) {
    product = product * (count - i) / i;
  }
  return product;
}

}  // namespace

std::optional<LineFit> fit_line(std::span<const LinePoint> points) {
  constexpr std::size_t points_min = 3;
  if (points.size() < points_min) {
    return std::nullopt;
  }
  const Moments sums = moments_of(points);
  if (!(sums.xx > 0)) {
    return std::nullopt;
  }
  LineFit fit;
  fit.slope = sums.xy / sums.xx;
  fit.intercept = sums.mean_y - fit.slope * sums.mean_x;
  double squares = 0;
  for (const LinePoint& point : points) {
    const double residual = point.y - sums.mean_y - fit.slope * (point.x - sums.mean_x);
    fit.residuals.push_back(residual);
    squares += point.weight * residual * residual;
  }
  fit.residual_sd = std::sqrt(squares / static_cast<double>(points.size() - 2));
  fit.slope_sd = fit.residual_sd / std::sqrt(sums.xx);
  fit.intercept_sd = fit.residual_sd * std::sqrt(1 / sums.weight + sums.mean_x * sums.mean_x / sums.xx);
  return fit;
}

std::vector<double> shares(std::span<const LinePoint> points, const LineQuestion& question) {
  const Moments sums = moments_of(points);
  std::vector<double> out;
  for (const LinePoint& point : points) {
    out.push_back(share(sums, point, question));
  }
  return out;
}

std::optional<double> half_width_95(std::span<const LinePoint> points, const LineFit& fit,
                                    const LineQuestion& question) {
  constexpr double leverage_max = 0.95;
  const Moments sums = moments_of(points);
  const bool one_decides = std::any_of(points.begin(), points.end(),
                                       [&](const LinePoint& point) { return leverage(sums, point) > leverage_max; });
  if (one_decides) {
    return std::nullopt;
  }
  const double from_mean = question.of_slope - question.of_intercept * sums.mean_x;
  const double variance = question.of_intercept * question.of_intercept / sums.weight + from_mean * from_mean / sums.xx;
  return student_t_975(static_cast<double>(points.size() - 2)) * fit.residual_sd * std::sqrt(variance);
}

double student_t_975(double freedom) {
  constexpr double point = 0.975;
  return boost::math::quantile(boost::math::students_t(freedom), point);
}

std::optional<Line> theil_sen(std::span<const LinePoint> points) {
  std::vector<double> slopes;
  for (std::size_t i = 0; i < points.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      const double dx = points[i].x - points[j].x;
      if (std::fabs(dx) > 0) {
        slopes.push_back((points[i].y - points[j].y) / dx);
      }
    }
  }
  if (slopes.empty()) {
    return std::nullopt;
  }
  Line line;
  line.slope = median(std::move(slopes));
  std::vector<double> rest;
  for (const LinePoint& point : points) {
    rest.push_back(point.y - line.slope * point.x);
  }
  line.intercept = median(std::move(rest));
  return line;
}

double runs_test_p(std::span<const double> values) {
  int above = 0;
  int below = 0;
  int runs = 0;
  int last = 0;
  for (const double value : values) {
    const int sign = value > 0 ? 1 : (value < 0 ? -1 : 0);
    if (sign == 0) {
      continue;
    }
    (sign > 0 ? above : below) += 1;
    runs += sign != last ? 1 : 0;
    last = sign;
  }
  if (above == 0 || below == 0) {
    return 1;
  }
  double few = 0;
  double all = 0;
  for (int count = 2; count <= above + below; ++count) {
    const int half = count / 2;
    const double these = count % 2 == 0
                             ? 2 * ways(above, half) * ways(below, half)
                             : ways(above, half) * ways(below, half + 1) + ways(above, half + 1) * ways(below, half);
    all += these;
    few += count <= runs ? these : 0;
  }
  return few / all;
}

}  // namespace cw
