#include "sync/tdc_estimator.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr int cubic = 3;
constexpr int quintic = 5;
constexpr int septic = 7;
constexpr double learning_rpm = 500;
constexpr double scatter_least_ns = 300;
constexpr double sigmas_95 = 1.96;
// A little more for a standard deviation that is itself estimated from some ten readings.
constexpr double sigmas_95_of_few = 2.1;

bool is_running(const FittedTime& fitted) {
  return rpm_at(std::max(fitted.ns_per_deg, 1.0)) > learning_rpm;
}

// Fit through `each_side` points on either side of the TDC.
FittedTime fit_around(const TdcPoints& points, std::size_t each_side, int degree) {
  const std::size_t last = std::min(points.count, points.nearest_after + 1 + each_side);
  const std::size_t first = points.nearest_after + 1 >= each_side ? points.nearest_after + 1 - each_side : 0;
  return fit_time(std::span(points.angle_deg).subspan(first, last - first),
                  std::span(points.t_ns).subspan(first, last - first), degree);
}

// Whether there are teeth on both sides.
bool around(const TdcPoints& points) {
  return points.count >= 2 && points.angle_deg[0] >= 0 && points.angle_deg[points.count - 1] < 0;
}

double averaged(double old, double now) {
  constexpr double follow = 0.1;
  return old > 0 ? std::sqrt(old * old + follow * (now * now - old * old)) : now;
}

}  // namespace

bool TdcEstimator::smooth_enough(const FittedTime& fitted) const {
  constexpr double smooth_deg = 0.04;
  constexpr double scatters = 3;
  // What is left of a curve too stiff has no more than some five changes of sign: on so many points neighbours are then
  // alike, and of noise they are not.
  constexpr int freedom_min = 12;
  constexpr double noise_unlikeness = 1.5;
  const bool is_noise = fitted.freedom >= freedom_min && fitted.unlikeness > noise_unlikeness;
  const bool as_learned = fitted.residual_ns < scatters * scatter_ns_;
  return fitted.freedom > 0 &&
         (fitted.residual_ns < smooth_deg * fitted.ns_per_deg || (is_running(fitted) && (as_learned || is_noise)));
}

void TdcEstimator::learn(const FittedTime& fitted) {
  if (!is_running(fitted)) {
    return;  // slow, the residual is speed rather than scatter
  }
  scatter_ns_ = std::max(averaged(scatter_ns_, fitted.residual_ns), scatter_least_ns);
  scatter_deg_ = averaged(scatter_deg_, fitted.residual_ns / fitted.ns_per_deg);
}

// Jitter grows with speed faster than a turn's scatter is followed; pitch errors are the turn's alone once that is known.
double TdcEstimator::known_deg(const FittedTime& fitted) const {
  const double as_angle_deg = turn_scatter_deg_ > 0 ? turn_scatter_deg_ : std::max(scatter_deg_, cranked_scatter_deg_);
  return std::max({scatter_ns_ / fitted.ns_per_deg, as_angle_deg, scatter_least_ns / fitted.ns_per_deg});
}

// How far a curve that may bend more is from the fit, beyond what noise makes of that: of two least-squares fits of which one
// contains the other, the variance of the difference is the difference of the variances.
double TdcEstimator::bent_deg(const FittedTime& fitted, double finer_t_ns, double finer_noise_gain) const {
  const double off_deg = (finer_t_ns - fitted.t_ns) / fitted.ns_per_deg;
  const double noise = known_deg(fitted);
  const double by_noise = noise * noise * (finer_noise_gain * finer_noise_gain - fitted.noise_gain * fitted.noise_gain);
  return std::sqrt(std::max(0.0, off_deg * off_deg - by_noise));
}

double TdcEstimator::noise_deg(const FittedTime& fitted) const {
  const double known_deg = this->known_deg(fitted);
  const double seen_deg = fitted.residual_ns / fitted.ns_per_deg;
  constexpr double surprising = 1.5;
  const bool of_a_turn = turn_scatter_deg_ + cranked_scatter_deg_ > 0;
  const double sigmas = of_a_turn ? sigmas_95 : sigmas_95_of_few;
  return sigmas * fitted.noise_gain * (seen_deg > surprising * known_deg ? seen_deg : known_deg);
}

void TdcEstimator::take_scatter(double scatter_deg, bool running) {
  if (running) {
    turn_scatter_deg_ = averaged(turn_scatter_deg_, scatter_deg);
  } else {
    // What the speed does to it only adds.
    cranked_scatter_deg_ = cranked_scatter_deg_ > 0 ? std::min(cranked_scatter_deg_, scatter_deg) : scatter_deg;
  }
}

// What all edges have in common does not average out: half a tick, to one side, beside which noise is needed on that side
// alone (1.645 of 1.96 standard deviations).
double TdcEstimator::stated_deg(double ns_per_deg, double noise_deg, double model_deg) const {
  constexpr double one_sided = 1.645 / 1.96;
  const double rest_deg = std::hypot(noise_deg, model_deg, hidden_deg_);
  return std::max(rest_deg, tick_ns_ / 2 / ns_per_deg + one_sided * rest_deg);
}

std::optional<TdcEstimate> TdcEstimator::between_two(const TdcPoints& points) const {
  if (!around(points)) {
    return std::nullopt;
  }
  const FittedTime fitted = fit_around(points, 1, 1);
  return TdcEstimate{fitted.t_ns, fitted.ns_per_deg,
                     stated_deg(fitted.ns_per_deg, noise_deg(fitted), points.hidden_dip_deg)};
}

std::optional<TdcEstimate> TdcEstimator::estimate(const TdcPoints& points) {
  if (!around(points)) {
    return std::nullopt;
  }
  const auto angle_deg = std::span(points.angle_deg).first(points.count);
  if (!wide_ || !std::equal(angle_deg.begin(), angle_deg.end(), wide_->angle_deg().begin(), wide_->angle_deg().end())) {
    wide_.emplace(angle_deg, cubic);
    finer_.emplace(angle_deg, quintic);
  }
  const auto t_ns = std::span(points.t_ns).first(points.count);
  FittedTime fitted = wide_->through(t_ns);
  double model_deg = 0;
  if (smooth_enough(fitted)) {
    learn(fitted);
    model_deg = bent_deg(fitted, finer_->time_at_0_ns(t_ns), finer_->noise_gain());
  } else {
    // Speed changes too fast for the wide window: four teeth on either side, and what three on either side would say.
    const FittedTime plainer = fit_around(points, 3, quintic);
    fitted = fit_around(points, 4, septic);
    model_deg = std::fabs(fitted.t_ns - plainer.t_ns) / fitted.ns_per_deg + points.hidden_dip_deg;
  }
  return TdcEstimate{fitted.t_ns, fitted.ns_per_deg, stated_deg(fitted.ns_per_deg, noise_deg(fitted), model_deg)};
}

}  // namespace cw
