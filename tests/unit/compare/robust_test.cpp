#include "compare/robust.hpp"

#include <cmath>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

TEST(Median, is_the_middle_of_an_odd_count) {
  EXPECT_EQ(median({7}), 7);
  EXPECT_EQ(median({9, 1, 5}), 5);
  EXPECT_EQ(median({5, 5, 1, 9, 2}), 5);
}

TEST(Median, is_the_mean_of_the_two_middle_ones_of_an_even_count) {
  EXPECT_EQ(median({4, 2}), 3);
  EXPECT_EQ(median({10, 1, 3, 2}), 2.5);
  EXPECT_EQ(median({-1, 1, -5, 5}), 0);
}

TEST(Median, does_not_move_with_one_wild_value) {
  EXPECT_EQ(median({1, 2, 3, 4, 1e12}), 3);
}

TEST(RobustMean, worked_example_by_hand) {
  // Median 3, distances 2 1 0 1 97, their median 1, spread 1.4826; 100 lies outside three spreads: mean of 1 2 3 4.
  const std::vector<double> values = {1, 2, 3, 4, 100};
  const RobustMean mean = robust_mean(values);
  EXPECT_NEAR(mean.spread, 1.4826, 1e-9);
  EXPECT_NEAR(mean.mean, 2.5, 1e-12);
}

TEST(RobustMean, factor_is_one_over_the_normal_quartile) {
  // Inverse normal CDF at 3/4 is 0.67448975 (Abramowitz and Stegun, table 26.5, from memory); erf(x / sqrt 2) = 1/2.
  const double quartile = 0.674489750196082;
  EXPECT_NEAR(std::erf(quartile / std::sqrt(2.0)), 0.5, 1e-12);
  const std::vector<double> values = {-1, 0, 1};
  EXPECT_NEAR(robust_mean(values).spread, 1 / quartile, 1e-4);
}

TEST(RobustMean, spread_of_normal_values_is_their_standard_deviation) {
  test::Dice dice(5);
  std::vector<double> values;
  values.reserve(20'000);
  for (int i = 0; i < 20'000; ++i) {
    values.push_back(3 + 0.5 * dice.normal());
  }
  const RobustMean mean = robust_mean(values);
  EXPECT_NEAR(mean.mean, 3, 0.02);
  // Efficiency of the median absolute deviation is 37 % (common practice, no source): sd 0.5 / sqrt(2 * 20000 * 0.37).
  EXPECT_NEAR(mean.spread, 0.5, 0.02);
}

TEST(RobustMean, equal_values_have_no_spread_and_their_own_mean) {
  const std::vector<double> values(9, 4.25);
  EXPECT_EQ(robust_mean(values).mean, 4.25);
  EXPECT_EQ(robust_mean(values).spread, 0);
}

}  // namespace
}  // namespace cw
