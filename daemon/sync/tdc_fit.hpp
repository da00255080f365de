// The time at which the crank passes an angle, from tooth times around it: a polynomial t(angle) fitted by least
// squares. A cubic holds speed, acceleration and the change of
// acceleration; higher degrees follow the dip at a compression TDC.
#pragma once

#include <array>
#include <cstddef>
#include <span>
#include <vector>

namespace cw {

struct FittedTime {
  double t_ns = 0;         // at angle 0, on the base of the points
  double ns_per_deg = 0;   // slope at angle 0
  double residual_ns = 0;  // root of (sum of squares / degrees of freedom); 0 when there are none
  int freedom = 0;         // points less terms
  // Sum of squared differences of neighbouring residuals over the sum of their squares (von Neumann, Annals of
  // Mathematical Statistics 12, 1941): 2 and a little more when they are noise, far less when the polynomial is too stiff
  // for the motion, since neighbours then lie on the same side. 0 when there are no residuals.
  double unlikeness = 0;
  // Standard deviation of t_ns for one of 1 ns at each point: sqrt(e0' (A'A)^-1 e0), A the matrix of powers of the
  // angles; the textbook variance of a least-squares value.
  double noise_gain = 0;
};

// A fit through points at these angles, made ready for their times: whatever the angles alone decide is computed once, and
// the same angles come again every cycle.
class TimeFit {
 public:
  // t(angle) of `degree` (0 to 7, lowered to the number of points less one); at least one point, angles distinct.
  TimeFit(std::span<const double> angle_deg, int degree);

  // One time for each angle.
  FittedTime through(std::span<const double> t_ns) const;
  // Of that t_ns alone, at half the cost.
  double time_at_0_ns(std::span<const double> t_ns) const;
  double noise_gain() const { return noise_gain_; }

  std::span<const double> angle_deg() const { return angle_deg_; }

 private:
  static constexpr std::size_t terms_max = 8;
  using Row = std::array<double, terms_max>;

  void eliminate();
  template <std::size_t terms = 1, typename Work>
  auto with_terms(Work work) const;
  template <std::size_t terms>
  Row solve(Row right) const;
  template <std::size_t terms>
  Row coefficients(std::span<const double> t_ns) const;
  template <std::size_t terms>
  FittedTime through_with(std::span<const double> t_ns) const;

  std::vector<double> angle_deg_;
  std::size_t terms_ = 1;
  double scale_ = 1;
  std::vector<Row> powers_;  // of angle / scale, for each point
  // The normal equations, eliminated: the upper triangle, below it by which factors rows were subtracted.
  std::array<Row, terms_max> normal_{};
  std::array<std::size_t, terms_max> pivot_{};
  double noise_gain_ = 0;
};

// The same for points that come once.
FittedTime fit_time(std::span<const double> angle_deg, std::span<const double> t_ns, int degree);

}  // namespace cw
