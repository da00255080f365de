#include "compare/cusum.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>

#include "simulate/random.hpp"

namespace cw {
namespace {

// Mean number of standard normal values, shifted by `shift`, until either side alarms.
double run_length(double shift, double threshold, int runs) {
  sim::Random random(7, 1);
  const CusumPlan plan{0.5, threshold, 1e300};
  std::int64_t values = 0;
  for (int i = 0; i < runs; ++i) {
    Cusum cusum;
    do {
      ++values;
    } while (cusum.take(shift + random.normal(), plan) == 0);
  }
  return static_cast<double>(values) / runs;
}

// Two-sided, allowance 0.5: Lucas and Crosier, Technometrics 24 (1982) 199, table 3 (zero start), as also printed in the
// NIST/SEMATECH e-Handbook 6.3.2.3 and in Montgomery, Introduction to Statistical Quality Control. From memory.
TEST(Cusum, has_the_published_run_lengths) {
  constexpr int runs = 4000;
  EXPECT_NEAR(run_length(0, 4, runs), 168, 9);
  EXPECT_NEAR(run_length(0, 5, runs), 465, 25);
  EXPECT_NEAR(run_length(0.5, 4, runs), 26.6, 1.2);
  EXPECT_NEAR(run_length(0.5, 5, runs), 38.0, 1.6);
  EXPECT_NEAR(run_length(1, 4, runs), 8.38, 0.25);
  EXPECT_NEAR(run_length(1, 5, runs), 10.4, 0.3);
  EXPECT_NEAR(run_length(2, 4, runs), 3.34, 0.07);
  EXPECT_NEAR(run_length(2, 5, runs), 4.01, 0.08);
}

// The two sides of the table together: 1/ARL = 1/ARL high + 1/ARL low.
TEST(Cusum, run_lengths_by_formula_are_those_of_the_tables_within_a_few_percent) {
  const auto both = [](double shift, double threshold) {
    return 1 / (1 / cusum_run_length(shift, 0.5, threshold) + 1 / cusum_run_length(-shift, 0.5, threshold));
  };
  EXPECT_NEAR(both(0, 4), 168, 168 * 0.03);
  EXPECT_NEAR(both(0, 5), 465, 465 * 0.03);
  EXPECT_NEAR(both(0.5, 5), 38.0, 38.0 * 0.03);
  EXPECT_NEAR(both(1, 5), 10.4, 10.4 * 0.03);
}

TEST(Cusum, threshold_for_a_run_length_gives_that_run_length) {
  for (const double allowance : {0.5, 1.0, 2.5}) {
    const double threshold = cusum_threshold(allowance, 3.6e8);
    EXPECT_NEAR(cusum_run_length(0, allowance, threshold) / 3.6e8, 1, 1e-6) << allowance;
  }
  EXPECT_NEAR(cusum_threshold(0.5, 930), 5, 0.05) << "one-sided, from the same tables";
}

TEST(Cusum, what_stays_within_the_allowance_never_adds_up) {
  Cusum cusum;
  const CusumPlan plan{0.25, 1.25, 0.75};
  for (int i = 0; i < 100000; ++i) {
    ASSERT_EQ(cusum.take(0.25, plan), 0);
  }
}

TEST(Cusum, one_value_however_wild_counts_for_no_more_than_the_most) {
  Cusum cusum;
  const CusumPlan plan{0.25, 1.25, 0.75};
  EXPECT_EQ(cusum.take(100, plan), 0);
  EXPECT_EQ(cusum.take(0, plan), 0);
  EXPECT_EQ(cusum.take(-100, plan), 0);
}

TEST(Cusum, says_to_which_side) {
  Cusum rising;
  Cusum falling;
  const CusumPlan plan{0.25, 1.25, 0.75};
  int risen = 0;
  int fallen = 0;
  for (int i = 0; i < 3; ++i) {
    risen = rising.take(1, plan);
    fallen = falling.take(-1, plan);
  }
  EXPECT_EQ(risen, 1);
  EXPECT_EQ(fallen, -1);
}

}  // namespace
}  // namespace cw
