#include "sync/speed_model.hpp"

#include <cmath>
#include <numbers>
#include <vector>

#include <gtest/gtest.h>

#include "sync/past_steps.hpp"

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::NamedWheel;
using test::Passage;

// A crank under constant torque: v^2 = v0^2 + 2 a angle, in degrees and seconds.
struct EvenPull {
  double v0_deg_s = 0;
  double a_deg_s2 = 0;
  double speed_at(double deg) const { return std::sqrt(v0_deg_s * v0_deg_s + 2 * a_deg_s2 * deg); }
  double ns_at(double deg) const {
    return a_deg_s2 == 0 ? 1e9 * deg / v0_deg_s : 1e9 * (speed_at(deg) - v0_deg_s) / a_deg_s2;
  }
  // As SpeedState asks for, after a step that ended at `deg`.
  SpeedState state_after(double deg, double step_deg) const {
    const double v = speed_at(deg - step_deg / 2);
    return {1e9 / v, step_deg, -a_deg_s2 / (v * v)};
  }
};

TEST(SpeedModel, constant_torque_is_foreseen) {
  for (const double a_deg_s2 : {-12'000.0, -3'000.0, 5'000.0, 40'000.0}) {
    const EvenPull pull{2400, a_deg_s2};
    for (const double next_deg : {6.0, 10.0, 18.0}) {
      const double dt_ns = pull.ns_at(60 + next_deg) - pull.ns_at(60);
      const StepFit fit = fit_step(pull.state_after(60, 6), next_deg, dt_ns, {});
      // The mean of 1/v over a step is more than 1/v at its middle by step^2/24 of the second derivative, which is
      // 3 a^2/v^4 of it (Taylor).
      const double v = pull.speed_at(60 + next_deg / 2);
      const double beyond_middle = next_deg * next_deg / 24 * 3 * a_deg_s2 * a_deg_s2 / std::pow(v, 4);
      EXPECT_NEAR(fit.error, beyond_middle, 2e-5) << a_deg_s2 << " over " << next_deg;
      EXPECT_NEAR(fit.cost, 0, 1e-3);
    }
  }
}

TEST(SpeedModel, constant_speed_costs_nothing_whatever_the_step) {
  const EvenPull even{6000, 0};
  SpeedState speed;
  double deg = 0;
  for (const double step : {6.0, 6.0, 18.0, 6.0, 30.0, 10.0}) {
    const double dt_ns = even.ns_at(deg + step) - even.ns_at(deg);
    const StepFit fit = fit_step(speed, step, dt_ns, {});
    EXPECT_NEAR(fit.error, 0, 1e-12);
    speed = follow(speed, step, dt_ns, fit);
    deg += step;
    EXPECT_NEAR(speed.ns_per_deg, 1e9 / 6000, 1e-3);
    EXPECT_NEAR(speed.trend_per_deg, 0, 1e-12);
  }
}

TEST(SpeedModel, an_unknown_speed_lets_everything_fit) {
  EXPECT_EQ(fit_step({}, 6, 1e9, {}).cost, 0);
  EXPECT_EQ(fit_step({}, 6, 1, {}).cost, 0);
}

TEST(SpeedModel, error_is_positive_when_the_interval_is_longer_than_expected) {
  const SpeedState speed{1000, 6, 0};
  EXPECT_GT(fit_step(speed, 6, 7000, {}).error, 0);
  EXPECT_LT(fit_step(speed, 6, 5000, {}).error, 0);
  EXPECT_GT(fit_step(speed, 6, 12'000, {}).sigmas, fit_step(speed, 6, 9'000, {}).sigmas);
}

TEST(SpeedModel, trend_has_the_sign_of_slowing_down) {
  for (const double a_deg_s2 : {-6'000.0, 6'000.0}) {
    const EvenPull pull{1800, a_deg_s2};
    SpeedState speed;
    for (int i = 0; i < 10; ++i) {
      const double dt_ns = pull.ns_at(6 * (i + 1)) - pull.ns_at(6 * i);
      speed = follow(speed, 6, dt_ns, fit_step(speed, 6, dt_ns, {}));
    }
    EXPECT_EQ(speed.trend_per_deg > 0, a_deg_s2 < 0) << a_deg_s2;
    const double v = pull.speed_at(57);
    EXPECT_NEAR(speed.ns_per_deg * v / 1e9, 1, 0.02);
  }
}

TEST(SpeedModel, speed_is_freer_to_change_at_cranking_than_running) {
  EXPECT_GT(speed_scatter_per_rad(100), speed_scatter_per_rad(1000));
  EXPECT_GT(speed_scatter_per_rad(1000), speed_scatter_per_rad(9000));
  EXPECT_GT(speed_scatter_per_rad(9000), 0);
  EXPECT_TRUE(std::isfinite(speed_scatter_per_rad(0)));
}

// 0.6 at the published 150 rpm and below, then as 1 / rpm: 0.6 x 150 / 300 = 0.3; 0.01 at 9,000 rpm is below the floor.
TEST(SpeedModel, swing_is_the_published_one_at_cranking_and_falls_with_speed_to_a_floor) {
  EXPECT_DOUBLE_EQ(speed_swing(0), 0.6);
  EXPECT_DOUBLE_EQ(speed_swing(80), 0.6);
  EXPECT_DOUBLE_EQ(speed_swing(150), 0.6);
  EXPECT_DOUBLE_EQ(speed_swing(300), 0.3);
  EXPECT_DOUBLE_EQ(speed_swing(3000), 0.03);
  EXPECT_DOUBLE_EQ(speed_swing(9000), 0.015);
}

// Two waves a turn at 300 rpm: the angle swings by 0.3 / 2 rad = 8.594 degrees either way. Over 30 degrees the wave goes
// on by pi / 3: 3 / 128 x (pi / 3)^4 = 0.028186 of it, 0.2422 degrees. Over 90 by pi: more than all of it.
TEST(SpeedModel, unseen_ripple_is_the_remainder_of_a_cubic_and_at_most_the_whole_swing) {
  EXPECT_NEAR(unseen_ripple_deg(30, 2, 300), 0.2422, 1e-4);
  EXPECT_NEAR(unseen_ripple_deg(90, 2, 300), 8.594, 1e-3);
  EXPECT_NEAR(unseen_ripple_deg(180, 2, 300), 8.594, 1e-3);
  // 0.03 / 2 rad = 0.8594 degrees; 3 / 128 x (pi / 15)^4 = 4.510e-5.
  EXPECT_NEAR(unseen_ripple_deg(6, 2, 3000), 3.876e-5, 1e-8);
}

// Four values of a cosine, its peak in the middle: the cubic through them is (9 (b + c) - (a + d)) / 16 there.
TEST(SpeedModel, unseen_ripple_covers_what_a_cubic_really_misses_and_not_much_more) {
  for (const double step_deg : {6.0, 10.0, 20.0, 30.0}) {
    const double half_rad = 2 * step_deg / 2 * std::numbers::pi / 180;
    const double missed_share = 1 - (18 * std::cos(half_rad) - 2 * std::cos(3 * half_rad)) / 16;
    const double missed_deg = missed_share * 0.3 / 2 * 180 / std::numbers::pi;
    EXPECT_GT(unseen_ripple_deg(step_deg, 2, 300), missed_deg) << step_deg;
    EXPECT_LT(unseen_ripple_deg(step_deg, 2, 300), 1.2 * missed_deg) << step_deg;
  }
}

TEST(SpeedModel, more_scatter_makes_the_same_interval_fit_better) {
  const SpeedState speed{1000, 6, 0};
  const double tight = fit_step(speed, 6, 8000, {500, 0.02}).cost;
  EXPECT_LT(fit_step(speed, 6, 8000, {5000, 0.02}).cost, tight);
  EXPECT_LT(fit_step(speed, 6, 8000, {500, 0.5}).cost, tight);
}

// Every step of `teeth` at the place where it is: the number of misfits.
int misfits(const ToothCycle& cycle, const std::vector<Passage>& teeth, const ScatterModel& scatter) {
  SpeedState speed;
  int count = 0;
  for (std::size_t i = 1; i < teeth.size(); ++i) {
    const double step_deg = cycle.teeth[static_cast<std::size_t>(teeth[i - 1].tooth)].step_deg;
    const auto dt_ns = static_cast<double>(teeth[i].t_ns - teeth[i - 1].t_ns);
    const StepFit fit = fit_step(speed, step_deg, dt_ns, scatter);
    count += fit.cost > misfit_cost_max ? 1 : 0;
    speed = follow(speed, step_deg, dt_ns, fit);
  }
  return count;
}

TEST(SpeedModel, the_published_cranking_record_fits_at_the_right_place) {
  for (const NamedWheel& wheel : {test::wheel(36, 1), test::wheel(60, 2), test::wheel(24, 1)}) {
    for (int i = 0; i < 36; ++i) {
      const double phase = 2 * std::numbers::pi * i / 36;
      const std::vector<Passage> teeth =
          passages(wheel.cycle, 0, 6 * test::teeth_a_turn(wheel.cycle), test::cranking(phase));
      EXPECT_EQ(misfits(wheel.cycle, teeth, {}), 0) << wheel.name << ", phase " << phase;
    }
  }
}

// Twice as long a degree as the step before, as a cycle ago: the smooth model finds that odd, the memory does not.
TEST(SpeedModel, what_was_so_a_cycle_ago_costs_less_than_the_expected_interval_of_the_smooth_model) {
  const SpeedState from{1e9 / 900, 10, 0};  // 150 rpm
  const ScatterModel scatter;
  const double dt_ns = 2 * 10 * 1e9 / 900;
  const StepFit smooth = fit_step(from, 10, dt_ns, scatter);
  const StepFit again = fit_step_as_before(from, 10, dt_ns, std::log(2.0), scatter);
  EXPECT_GT(smooth.cost, 1);
  EXPECT_LT(again.cost, 0);
  EXPECT_NEAR(again.error, 0, 1e-9);
}

TEST(SpeedModel, a_memory_that_does_not_come_true_changes_nothing) {
  const SpeedState from{1e9 / 900, 10, 0};
  const ScatterModel scatter;
  const double dt_ns = 10 * 1e9 / 900;
  const StepFit smooth = fit_step(from, 10, dt_ns, scatter);
  const StepFit other = fit_step_as_before(from, 10, dt_ns, std::log(2.0), scatter);
  EXPECT_EQ(other.cost, smooth.cost);
  EXPECT_EQ(other.error, smooth.error);
  EXPECT_EQ(fit_step_as_before({}, 10, dt_ns, 0.5, scatter).cost, 0) << "without a speed everything fits";
}

TEST(PastSteps, are_known_for_a_cycle_and_never_from_what_is_in_question) {
  PastSteps past(4);
  EXPECT_FALSE(past.log_ratio(2, 10));
  past.note(2, 3, 1, 10);
  EXPECT_FALSE(past.log_ratio(2, 10)) << "from mark 10 on all is in question";
  EXPECT_NEAR(past.log_ratio(2, 11).value_or(0), std::log(3.0), 1e-12);
  past.note(2, 5, 1, 14);
  EXPECT_NEAR(past.log_ratio(2, 14).value_or(0), std::log(3.0), 1e-12) << "the one before";
  EXPECT_NEAR(past.log_ratio(2, 15).value_or(0), std::log(5.0), 1e-12);
  EXPECT_FALSE(past.log_ratio(2, 14 + 4 + 9)) << "too long ago";
}

TEST(SpeedModel, a_gap_taken_for_a_tooth_misfits_at_running_speed) {
  for (const NamedWheel& wheel : {test::wheel(36, 1), test::wheel(60, 2), test::wheel(24, 1)}) {
    std::vector<Passage> teeth = passages(wheel.cycle, 0, 6 * test::teeth_a_turn(wheel.cycle), test::steady(2000));
    const auto count = static_cast<int>(wheel.cycle.teeth.size());
    for (Passage& tooth : teeth) {
      tooth.tooth = (tooth.tooth + 5) % count;
    }
    EXPECT_GT(misfits(wheel.cycle, teeth, {}), 0) << wheel.name;
  }
}

}  // namespace
}  // namespace cw
