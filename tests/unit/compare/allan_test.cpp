#include "compare/allan.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>
#include <vector>

#include "simulate/random.hpp"

namespace cw {
namespace {

// NIST SP 1065, pp. 107-108: n <- 16807 n mod 2147483647 from 1234567890, divided by 2147483647.
std::vector<double> published_series() {
  std::vector<double> values;
  std::int64_t n = 1234567890;
  for (int i = 0; i < 1000; ++i) {
    values.push_back(static_cast<double>(n) / 2147483647.0);
    n = 16807 * n % 2147483647;
  }
  return values;
}

TEST(AllanDeviation, of_the_published_series_is_the_published_one) {
  const std::vector<double> values = published_series();
  EXPECT_NEAR(values[1] * 2147483647.0, 395529916, 1e-3);
  EXPECT_NEAR(*allan_deviation(values, 1), 0.2922319, 5e-8);
  EXPECT_NEAR(*allan_deviation(values, 10), 0.09965736, 5e-9);
  EXPECT_NEAR(*allan_deviation(values, 100), 0.03897804, 5e-9);
}

TEST(AllanDeviation, needs_two_groups) {
  EXPECT_FALSE(allan_deviation(std::vector<double>{1}, 1));
  EXPECT_FALSE(allan_deviation(std::vector<double>{1, 2, 3}, 2));
  EXPECT_FALSE(allan_deviation(std::vector<double>{1, 2, 3}, 0));
}

TEST(LongRunDeviation, is_that_of_one_value_where_values_are_independent_and_more_where_they_hang_together) {
  sim::Random random(3, 1);
  std::vector<double> white;
  std::vector<double> correlated;
  double value = 0;
  constexpr double kept = 0.8;
  for (int i = 0; i < 100000; ++i) {
    white.push_back(random.normal());
    value = kept * value + std::sqrt(1 - kept * kept) * random.normal();
    correlated.push_back(value);
  }
  EXPECT_NEAR(*long_run_deviation(white), 1, 0.03);
  // A first-order process of variance 1 has the long-run variance (1 + kept) / (1 - kept) = 9. Groups of 64 see most of it:
  // by the definition, with the autocovariance kept^lag, 8 x Allan deviation is 2.839 (2.32 with groups of 16).
  EXPECT_NEAR(*long_run_deviation(correlated), 2.839, 0.15);
}

}  // namespace
}  // namespace cw
