// No numbers are published for these; the properties are (the two papers' abstracts).
#include "clocks/lower_line.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "tests/unit/clocks/linear_programme.hpp"

namespace cw {
namespace {

// Delays of `count` items, one each 10 ms and a bit, over a skew: a least delay and a queue on top.
std::vector<DelayPoint> delays(std::uint64_t seed, int count, double skew, double mean_ns) {
  std::mt19937_64 dice(seed);
  std::exponential_distribution<double> wait_ns(1 / mean_ns);
  std::uniform_real_distribution<double> step_ns(5e6, 15e6);
  std::vector<DelayPoint> points;
  double source_ns = 0;
  for (int i = 0; i < count; ++i) {
    source_ns += step_ns(dice);
    points.push_back({source_ns, 300e3 + skew * source_ns + wait_ns(dice)});
  }
  return points;
}

TEST(LowerLine, hull_and_linear_programme_give_the_same_line) {
  for (std::uint64_t seed = 0; seed < 300; ++seed) {
    const int count = 2 + static_cast<int>(seed * 7 % 900);
    const double skew = (static_cast<double>(seed) - 150) * 2e-6;
    const std::vector<DelayPoint> points = delays(seed, count, skew, 1e6);
    const auto by_hull = lower_line(points);
    ASSERT_TRUE(by_hull);
    const DelayLine by_programme = test::line_by_programme(points);
    EXPECT_NEAR(by_hull->slope, by_programme.slope, 1e-12) << seed;
    EXPECT_NEAR(by_hull->delay_at_zero_ns, by_programme.delay_at_zero_ns, 0.01) << seed;
  }
}

TEST(LowerLine, no_delay_is_below_it_and_two_are_on_it) {
  for (std::uint64_t seed = 0; seed < 100; ++seed) {
    const std::vector<DelayPoint> points = delays(seed, 500, 120e-6, 2e6);
    const auto line = lower_line(points);
    ASSERT_TRUE(line);
    int on_it = 0;
    for (const DelayPoint& point : points) {
      const double corrected_ns = point.delay_ns - line->at(point.source_ns);
      EXPECT_GE(corrected_ns, -1e-3);
      on_it += corrected_ns < 1e-3 ? 1 : 0;
    }
    EXPECT_EQ(on_it, 2);
  }
}

TEST(LowerLine, the_error_does_not_depend_on_the_size_of_the_skew) {
  const double error = lower_line(delays(5, 800, 0, 2e6))->slope;
  for (const double skew_ppm : {-5000.0, -200.0, 3.0, 100.0, 5000.0}) {
    EXPECT_NEAR(lower_line(delays(5, 800, skew_ppm * 1e-6, 2e6))->slope - skew_ppm * 1e-6, error, 1e-12) << skew_ppm;
  }
}

TEST(LowerLine, is_as_near_to_all_points_as_any_line_below_them) {
  const std::vector<DelayPoint> points = delays(9, 60, 50e-6, 1e6);
  const auto distance_ns = [&](const DelayLine& line) {
    double sum_ns = 0;
    for (const DelayPoint& point : points) {
      const double above_ns = point.delay_ns - line.at(point.source_ns);
      if (above_ns < -1e-3) {
        return std::numeric_limits<double>::infinity();
      }
      sum_ns += above_ns;
    }
    return sum_ns;
  };
  const double best_ns = distance_ns(*lower_line(points));
  EXPECT_TRUE(std::isfinite(best_ns));
  for (const DelayPoint& a : points) {  // every line through two points
    for (const DelayPoint& b : points) {
      if (a.source_ns < b.source_ns) {
        const double slope = (b.delay_ns - a.delay_ns) / (b.source_ns - a.source_ns);
        EXPECT_GE(distance_ns({a.delay_ns - slope * a.source_ns, slope}), best_ns - 1e-3);
      }
    }
  }
}

TEST(LowerLine, finds_nothing_at_one_source_time) {
  EXPECT_FALSE(lower_line({}));
  const std::vector<DelayPoint> together = {{5, 3}, {5, 2}, {5, 4}};
  EXPECT_FALSE(lower_line(together));
  EXPECT_EQ(lower_hull(together).size(), 1U);
  EXPECT_EQ(lower_hull(together).front().delay_ns, 2);
}

// Worked by hand: of (0,4) (1,1) (2,3) (3,1) (4,5) the lower hull is (0,4) (1,1) (3,1) (4,5); the mean is 2, so the line
// is the level one.
TEST(LowerLine, a_hull_worked_by_hand) {
  const std::vector<DelayPoint> points = {{0, 4}, {1, 1}, {2, 3}, {3, 1}, {4, 5}};
  EXPECT_EQ(lower_hull(points).size(), 4U);
  EXPECT_EQ(lower_line(points)->slope, 0);
  EXPECT_EQ(lower_line(points)->delay_at_zero_ns, 1);
}

}  // namespace
}  // namespace cw
