// Speed given directly. With w = base(t) * f(theta), the base angle tau = integral of base dt and the crank angle are
// tied by d tau = d theta / f(theta): the time law and the ripple separate, and each is solved on its own.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "geometry/angle.hpp"
#include "simulate/crank_model.hpp"

namespace cw::sim {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180.0;

double ripple_factor(const std::vector<Ripple>& ripples, double crank_deg) {
  double factor = 1.0;
  for (const Ripple& ripple : ripples) {
    factor += ripple.amplitude * std::cos((ripple.order * crank_deg - ripple.phase_deg) * rad_per_deg);
  }
  return factor;
}

// The base speed over the phase: linear in time.
struct Base {
  double speed0 = 0;  // deg/s
  double accel = 0;   // deg/s^2

  double angle(double t) const { return t * (speed0 + 0.5 * accel * t); }
  // Smaller root of angle(t) = tau, in the form that does not cancel.
  double time(double tau) const {
    const double root = std::sqrt(std::max(0.0, speed0 * speed0 + 2.0 * accel * tau));
    return speed0 + root > 0 ? 2.0 * tau / (speed0 + root) : 0.0;
  }
};

double step_for(const std::vector<Ripple>& ripples) {
  double order = 0;
  for (const Ripple& ripple : ripples) {
    order = std::max(order, ripple.amplitude > 0 ? ripple.order : 0.0);
  }
  // Sixteenth of a wave and a bit: the cubic is then good to about 1e-4 degrees at the deepest published ripple.
  return order > 0 ? std::clamp(16.0 / order, 0.1, 6.0) : 6.0;
}

}  // namespace

void drive_profile(const Phase& phase, Motion& motion) {
  const Knot start = motion.back();
  Base base;
  base.speed0 = phase.rpm * deg_per_s_per_rpm;
  base.accel = (phase.rpm_end - phase.rpm) * deg_per_s_per_rpm / phase.duration_s;
  const double tau_end = base.angle(phase.duration_s);
  const double step_deg = step_for(phase.ripples);
  const auto knot_at = [&](double t, double crank_deg, double factor) {
    motion.push_back({start.t_s + t, crank_deg, (base.speed0 + base.accel * t) * factor});
  };
  double tau = 0;
  double crank_deg = start.crank_deg;
  double factor0 = ripple_factor(phase.ripples, crank_deg);
  if (motion.size() == 1) {
    motion.back().speed_deg_s = base.speed0 * factor0;
  } else {
    knot_at(0, crank_deg, factor0);  // the speed may jump: a second knot at the same time
  }
  while (tau < tau_end) {
    double step = step_deg;
    double factor1 = ripple_factor(phase.ripples, crank_deg + step);
    double middle = ripple_factor(phase.ripples, crank_deg + 0.5 * step);
    double tau_step = step / 6.0 * (1.0 / factor0 + 4.0 / middle + 1.0 / factor1);
    if (tau + tau_step >= tau_end) {
      // The last step is cut by proportion; four rounds leave nothing that a nanosecond would show.
      for (int round = 0; round < 4; ++round) {
        step *= (tau_end - tau) / tau_step;
        factor1 = ripple_factor(phase.ripples, crank_deg + step);
        middle = ripple_factor(phase.ripples, crank_deg + 0.5 * step);
        tau_step = step / 6.0 * (1.0 / factor0 + 4.0 / middle + 1.0 / factor1);
      }
      knot_at(phase.duration_s, crank_deg + step, factor1);
      return;
    }
    tau += tau_step;
    crank_deg += step;
    factor0 = factor1;
    const double t = base.time(tau);
    if (start.t_s + t > motion.back().t_s) {
      knot_at(t, crank_deg, factor1);
    }
  }
  if (start.t_s + phase.duration_s > motion.back().t_s) {
    knot_at(phase.duration_s, crank_deg, factor0);
  }
}

}  // namespace cw::sim
