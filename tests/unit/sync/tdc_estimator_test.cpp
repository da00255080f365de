// What the estimate of TDC makes of noisy edges and of motion that a cubic is too stiff for.
#include "sync/tdc_estimator.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <cstddef>
#include <numbers>
#include <optional>
#include <random>

#include "geometry/angle.hpp"

namespace cw {
namespace {

struct Motion {
  double rpm = 11'400;
  double ripple_order = 0;  // waves a turn of the place itself
  double ripple_deg = 0;
  double noise_ns = 0;
};

// Teeth of a wheel of `teeth`, as the place of the crank, and so their time, swings and their edges scatter.
TdcPoints points_of(const Motion& motion, int teeth, std::mt19937_64& random) {
  std::normal_distribution<double> noise(0, motion.noise_ns);
  const double step_deg = deg_per_rev / teeth;
  const double ns_per_deg = ns_per_deg_at(motion.rpm);
  TdcPoints points;
  for (double deg = 29.9; deg > -30; deg -= step_deg) {
    const double swing_deg =
        motion.ripple_deg * std::cos(motion.ripple_order * deg * std::numbers::pi / (deg_per_rev / 2));
    points.angle_deg[points.count] = deg;
    points.t_ns[points.count] = (deg + swing_deg) * ns_per_deg + (motion.noise_ns > 0 ? noise(random) : 0);
    points.nearest_after = deg >= 0 ? points.count : points.nearest_after;
    ++points.count;
  }
  return points;
}

// 2.8 us is 0.19 degrees at 11,400 rpm: no reading there looks smooth, and at idle the ripple hid the noise.
TEST(TdcEstimator, learns_the_scatter_of_noisy_edges_that_were_never_seen_smooth) {
  std::mt19937_64 random(5);
  TdcEstimator estimator;
  for (int cycle = 0; cycle < 60; ++cycle) {
    ASSERT_TRUE(estimator.estimate(points_of({.noise_ns = 2'800}, 118, random)));
  }
  EXPECT_NEAR(estimator.edge_scatter_ns(), 2'800, 700);
}

TEST(TdcEstimator, takes_no_motion_that_a_cubic_is_too_stiff_for_as_scatter) {
  std::mt19937_64 random(6);
  TdcEstimator estimator;
  for (int cycle = 0; cycle < 60; ++cycle) {
    ASSERT_TRUE(estimator.estimate(points_of({.rpm = 700, .ripple_order = 4, .ripple_deg = 2}, 118, random)));
  }
  EXPECT_EQ(estimator.edge_scatter_ns(), 0);
}

double covered(const Motion& motion) {
  std::mt19937_64 random(7);
  TdcEstimator estimator;
  constexpr int cycles = 400;
  int within = 0;
  for (int cycle = 0; cycle < cycles; ++cycle) {
    const std::optional<TdcEstimate> found = estimator.estimate(points_of(motion, 60, random));
    const double true_ns = motion.ripple_deg * ns_per_deg_at(motion.rpm);
    within += found && std::fabs(found->t_ns - true_ns) / found->ns_per_deg <= found->uncertainty_deg ? 1 : 0;
  }
  return static_cast<double>(within) / cycles;
}

// The place swings as cos(3 x): a cubic over 60 degrees is off by 0.02 degrees in the middle and looks smooth all the same.
TEST(TdcEstimator, states_what_a_cubic_may_be_too_stiff_for) {
  EXPECT_GE(covered({.rpm = 2000, .ripple_order = 3, .ripple_deg = 0.4, .noise_ns = 400}), 0.9);
}

TEST(TdcEstimator, of_noise_alone_covers_no_more_than_it_says) {
  const double share = covered({.rpm = 2000, .noise_ns = 1000});
  EXPECT_GE(share, 0.93);
  EXPECT_LE(share, 0.985);
}

double stated_deg(TdcEstimator& estimator) {
  std::mt19937_64 random(9);
  return estimator.estimate(points_of({.rpm = 2000, .noise_ns = 1000}, 60, random))->uncertainty_deg;
}

// Four edges on either side, the same ones in each cycle, say little of how far a wheel's teeth are off.
TEST(TdcEstimator, takes_the_scatter_of_a_whole_turn_for_that_of_the_teeth_about_a_tdc) {
  TdcEstimator alone;
  TdcEstimator told;
  told.take_scatter(0.1, true);
  EXPECT_GT(stated_deg(told), 3 * stated_deg(alone));
}

// All edges of a counter that cuts down are early by half a tick in the mean: 0.5 us are 0.006 degrees at 2,000 rpm, 10 us 0.12.
TEST(TdcEstimator, states_half_a_tick_beside_the_noise) {
  TdcEstimator alone;
  TdcEstimator ticking;
  ticking.set_tick_ns(20'000);
  EXPECT_GT(stated_deg(ticking), 0.12 + 0.8 * stated_deg(alone));
  EXPECT_LT(stated_deg(ticking), 0.12 + stated_deg(alone));
}

TEST(TdcEstimator, states_what_is_hidden_of_the_wheel) {
  TdcEstimator estimator;
  estimator.set_hidden_deg(0.2);
  EXPECT_GE(stated_deg(estimator), 0.2);
}

}  // namespace
}  // namespace cw
