// A straight line through points with unlike scatter: weighted least squares, 95 % intervals, a robust line to
// tell stray points by, and a test whether a line fits at all.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

namespace cw {

struct LinePoint {
  double x = 0;
  double y = 0;
  double weight = 1;  // > 0; as 1 / variance up to a common factor, which the residuals tell
};

struct LineFit {
  double intercept = 0;
  double slope = 0;
  double residual_sd = 0;   // sqrt(sum of weight * residual^2 / (points - 2))
  double intercept_sd = 0;  // the usual standard deviations, right where the weights are
  double slope_sd = 0;
  std::vector<double> residuals;  // y less the line, in the order of the points
};

// Weighted least squares. Nothing with fewer than three points or all x alike.
std::optional<LineFit> fit_line(std::span<const LinePoint> points);

// What is asked of a line: of_intercept * intercept + of_slope * slope. {1, x}: its height at x.
struct LineQuestion {
  double of_intercept = 0;
  double of_slope = 0;
};

// How much each point's y counts in the answer; sums to of_intercept.
std::vector<double> shares(std::span<const LinePoint> points, const LineQuestion& question);

// 95 % half width of the answer: Student's t with two degrees of freedom less than there are points, times the standard
// deviation that the residuals give. Nothing where one point alone decides (leverage above 0.95): its residual is 0 then.
std::optional<double> half_width_95(std::span<const LinePoint> points, const LineFit& fit,
                                    const LineQuestion& question);

// 97.5 % point of Student's t; `freedom` > 0.
double student_t_975(double freedom);

struct Line {
  double intercept = 0;
  double slope = 0;
};
// Theil and Sen (Sen, J. Amer. Stat. Assoc. 63, 1968): median of the slopes of all pairs whose x differ, median intercept.
// Up to 29 % of the points may be anything. Nothing where all x are alike.
std::optional<Line> theil_sen(std::span<const LinePoint> points);

// Wald and Wolfowitz (Ann. Math. Stat. 11, 1940): how likely so few runs of like sign are, or fewer, when the signs come in
// random order. `values` in the order to be judged (here: of speed); zeros are left out. 1 where one sign is missing.
double runs_test_p(std::span<const double> values);

}  // namespace cw
