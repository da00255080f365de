// What the estimate of TDC makes of noisy edges and of motion that a cubic is too stiff for.
#include "sync/tdc_estimator.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <cstddef>
#include <numbers>
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

}  // namespace
}  // namespace cw
