#include "sync/speed_model.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace cw {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180.0;
// Square of speed, expected over last and last over the one before: bounded, so that one wild interval can't make the
// next expectation absurd.
constexpr double square_ratio_least = 0.2;
constexpr double square_ratio_most = 5.0;
constexpr double follow_least = 0.4;

// ln(x) for x near 1, to second order on both sides (Pade); within 9 % at x = 1/3 and 3 and cheap.
double near_log(double x) {
  return 2.0 * (x - 1.0) / (x + 1.0);
}

// exp(x) for small x, likewise.
double near_exp(double x) {
  return (2.0 + x) / (2.0 - x);
}

double square(double x) {
  return x * x;
}

}  // namespace

double speed_scatter_per_rad(double rpm) {
  constexpr double published = 2.0;
  constexpr double published_rpm = 150.0;
  constexpr double least = 0.04;
  constexpr double most = 4.0;
  return std::clamp(published * published_rpm / std::max(rpm, 1.0), least, most);
}

double speed_swing(double rpm) {
  constexpr double published = 0.6;
  constexpr double published_rpm = 150.0;
  constexpr double least = 0.015;
  return std::clamp(published * published_rpm / std::max(rpm, 1.0), least, published);
}

double unseen_ripple_deg(double step_deg, double order, double rpm) {
  const double swing_deg = speed_swing(rpm) / order / rad_per_deg;
  const double phase = order * step_deg * rad_per_deg;
  return swing_deg * std::min(1.0, 3.0 / 128.0 * square(square(phase)));
}

StepFit fit_step(const SpeedState& from, double angle_deg, double dt_ns, const ScatterModel& scatter) {
  StepFit fit;
  if (from.ns_per_deg <= 0) {
    return fit;
  }
  fit.distance_deg = (from.last_step_deg + angle_deg) / 2;
  const double square_ratio =
      std::clamp(1 - 2 * from.trend_per_deg * fit.distance_deg, square_ratio_least, square_ratio_most);
  const double expected_ns = from.ns_per_deg / std::sqrt(square_ratio) * angle_deg;
  fit.expected_ns = expected_ns;
  fit.error = near_log(dt_ns / expected_ns);

  // Half of the scatter of the slope is taken for what the trend does not foresee.
  const double rpm = 1e9 / (6.0 * from.ns_per_deg);
  const double by_slope = 0.5 * speed_scatter_per_rad(rpm) * fit.distance_deg * rad_per_deg;
  const double speed_variance =
      square(std::min(by_slope, speed_swing(rpm))) + square(scatter.slope_over * from.trend_per_deg * fit.distance_deg);
  const double last_ns = from.ns_per_deg * from.last_step_deg;
  const double edge_variance =
      2 * (square(scatter.edge_ns / expected_ns) + square(scatter.edge_ns / last_ns) +
           square(scatter.edge_deg / angle_deg) + square(scatter.edge_deg / from.last_step_deg));
  const double variance = speed_variance + edge_variance;
  fit.gain = speed_variance / variance;
  fit.sd = std::sqrt(variance);
  fit.sigmas = std::fabs(fit.error) / fit.sd;
  fit.cost = square(fit.sigmas) / 2;
  return fit;
}

StepFit fit_step_as_before(const SpeedState& from, double angle_deg, double dt_ns, double past_log_ratio,
                           const ScatterModel& scatter) {
  StepFit fit = fit_step(from, angle_deg, dt_ns, scatter);
  if (from.ns_per_deg <= 0) {
    return fit;
  }
  // From one cycle to the next a cranked engine repeats itself no better than this: our own choice.
  constexpr double repeats_within = 0.08;
  const double error = std::log(dt_ns / (from.ns_per_deg * angle_deg)) - past_log_ratio;
  const double last_ns = from.ns_per_deg * from.last_step_deg;
  const double edge_variance = 2 * (square(scatter.edge_ns / dt_ns) + square(scatter.edge_ns / last_ns));
  const double sd = std::sqrt(square(repeats_within) + edge_variance);
  // Of a mixture of two normal densities, half each, the likelier; less the peak of the smooth model's own.
  const double cost = square(error / sd) / 2 + std::numbers::ln2 - std::log(fit.sd / sd);
  if (cost < fit.cost) {
    fit = {cost, sd, std::fabs(error) / sd, error, 1, fit.distance_deg, fit.expected_ns};
  }
  return fit;
}

bool may_be_displaced(const StepFit& fit, double angle_deg, double dt_ns, double next_deg) {
  // A tooth so little out of place that the step before it fits better than this disturbs the step after it no more.
  constexpr double cost_min = 1.0;
  // On a slow crank speed itself may change as much in a step.
  constexpr double sd_max = 0.1;
  if (fit.expected_ns <= 0 || fit.cost < cost_min || fit.sd > sd_max) {
    return false;
  }
  const double off_deg = std::fabs(dt_ns / fit.expected_ns - 1) * angle_deg;
  const double shorter_deg = std::min(angle_deg, next_deg);
  return shorter_deg <= displaced_step_max_deg && off_deg <= displaced_share_max * shorter_deg;
}

SpeedState coast(const SpeedState& from, double angle_deg, const StepFit& fit) {
  return {fit.expected_ns / angle_deg, angle_deg, from.trend_per_deg};
}

SpeedState follow(const SpeedState& from, double angle_deg, double dt_ns, const StepFit& fit) {
  SpeedState to;
  to.last_step_deg = angle_deg;
  to.ns_per_deg = dt_ns / angle_deg;
  if (from.ns_per_deg > 0) {
    const double error = std::clamp(fit.error, -0.5, 0.5);
    to.ns_per_deg *= near_exp(-(1 - std::max(fit.gain, follow_least)) * error);
    const double slowing = to.ns_per_deg / from.ns_per_deg;
    const double square_ratio = std::clamp(slowing * slowing, square_ratio_least, square_ratio_most);
    to.trend_per_deg = fit.gain * (square_ratio - 1) / (2 * fit.distance_deg);
  }
  return to;
}

}  // namespace cw
