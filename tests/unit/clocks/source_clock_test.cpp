#include "clocks/source_clock.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <random>

namespace cw {
namespace {

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::int64_t ns_per_ms = 1'000'000;

// A source whose clock began at `began_ns` of the host's and runs slow by `skew`: the true host time of a source time.
struct TrueClock {
  std::int64_t began_ns = 5'000 * ns_per_s;
  double skew_ppm = 0;

  std::int64_t host_ns(std::int64_t source_ns) const {
    return began_ns + source_ns + std::llround(static_cast<double>(source_ns) * skew_ppm * 1e-6);
  }
};

TEST(SourceClock, says_nothing_until_it_has_seen_some_seconds) {
  SourceClock clock;
  EXPECT_FALSE(clock.at(0));
  clock.arrival(0, 1000);
  EXPECT_FALSE(clock.at(0));
}

TEST(SourceClock, finds_a_clock_that_runs_slow_below_random_delays) {
  const TrueClock truth{5'000 * ns_per_s, 80.0};
  SourceClock clock({ns_per_ms, 0});
  std::mt19937_64 dice(1);
  std::exponential_distribution<double> wait_ns(1.0 / 2e6);
  std::int64_t host_ns = 0;  // nothing overtakes on a link
  for (std::int64_t t_ns = 0; t_ns < 300 * ns_per_s; t_ns += 10 * ns_per_ms) {
    host_ns = std::max(host_ns, truth.host_ns(t_ns) + ns_per_ms + static_cast<std::int64_t>(wait_ns(dice)));
    clock.arrival(t_ns, host_ns);
  }
  const auto reading = clock.at(299 * ns_per_s);
  ASSERT_TRUE(reading);
  EXPECT_NEAR(reading->skew_ppm, 80.0, 0.5);
  EXPECT_LE(std::llabs(reading->host_ns - truth.host_ns(299 * ns_per_s)), reading->uncertainty_ns);
  EXPECT_LT(reading->uncertainty_ns, 100'000);
}

TEST(SourceClock, is_exact_where_host_time_is_made_from_source_time) {
  SourceClock clock;
  clock.host_is_made_from_source();
  clock.arrival(1000, 3000);
  clock.arrival(1500, 4000);  // held up in a queue
  const auto reading = clock.at(2000);
  ASSERT_TRUE(reading);
  EXPECT_EQ(reading->host_ns, 4000);
  EXPECT_EQ(reading->uncertainty_ns, 0);
}

}  // namespace
}  // namespace cw
