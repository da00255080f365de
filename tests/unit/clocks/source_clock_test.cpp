#include "clocks/source_clock.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <random>
#include <string>
#include <vector>

#include "tests/unit/clocks/link_model.hpp"

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

TEST(SourceClock, places_times_by_the_least_late_arrival_until_it_has_a_fit) {
  SourceClock clock({ns_per_ms, 0});
  EXPECT_FALSE(clock.host_of(0));
  const std::int64_t began_ns = 5'000 * ns_per_s;
  for (int i = 0; i < 30; ++i) {  // three seconds; the quickest waits 2 ms beyond the least delay, the others up to 40
    const std::int64_t t_ns = i * 100 * ns_per_ms;
    clock.arrival(t_ns, began_ns + t_ns + ns_per_ms + (2 + i * 7 % 39) * ns_per_ms);
  }
  EXPECT_FALSE(clock.at(ns_per_s));
  EXPECT_EQ(clock.host_of(ns_per_s), began_ns + ns_per_s + 2 * ns_per_ms);
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

TEST(SourceClock, is_within_what_it_states_on_links_of_all_kinds_with_crystals_that_wander) {
  for (const test::Link& link : test::links()) {
    int readings = 0;
    int within = 0;
    for (std::uint64_t seed = 0; seed < 4; ++seed) {
      std::mt19937_64 dice(seed);
      const test::Crystal crystal = {150.0 - 100.0 * static_cast<double>(seed), 8.0, 600, 3.0, 1800, ns_per_s};
      SourceClock clock({link.least_ns, 0});
      std::int64_t due_ns = 0;
      test::run_link(link, crystal, 900, dice, [&](const test::Arrived& item) {
        clock.arrival(item.source_ns, item.host_ns);
        const auto reading = item.source_ns >= due_ns ? clock.at(item.source_ns) : std::nullopt;
        due_ns += item.source_ns >= due_ns ? ns_per_s : 0;
        if (reading) {
          ++readings;
          within += std::llabs(reading->host_ns - crystal.host_ns(item.source_ns)) <= reading->uncertainty_ns ? 1 : 0;
        }
      });
      EXPECT_FALSE(clock.take_step()) << link.name;
    }
    EXPECT_GT(readings, 3500) << link.name;
    EXPECT_GE(within, readings * 95 / 100) << link.name << ": " << within << " of " << readings;
  }
}

TEST(SourceClock, the_error_does_not_depend_on_the_size_of_the_skew) {
  const auto error_ns = [](double skew_ppm) {
    std::mt19937_64 dice(3);
    const test::Link link = test::links().front();
    const test::Crystal crystal = {skew_ppm, 0, 600, 0, 1800, ns_per_s};
    SourceClock clock({link.least_ns, 0});
    std::int64_t newest_ns = 0;
    test::run_link(link, crystal, 300, dice, [&](const test::Arrived& item) {
      newest_ns = item.source_ns;
      clock.arrival(item.source_ns, item.host_ns);
    });
    return clock.at(newest_ns)->host_ns - crystal.host_ns(newest_ns);
  };
  const std::int64_t without_ns = error_ns(0);
  for (const double skew_ppm : {-800.0, -100.0, 30.0, 800.0}) {
    EXPECT_NEAR(static_cast<double>(error_ns(skew_ppm)), static_cast<double>(without_ns), 2000.0) << skew_ppm;
  }
}

TEST(SourceClock, states_the_least_delay_that_it_cannot_see) {
  SourceClock known({2 * ns_per_ms, 0});
  SourceClock unknown({0, 3 * ns_per_ms});
  for (std::int64_t t_ns = 0; t_ns < 20 * ns_per_s; t_ns += 10 * ns_per_ms) {
    known.arrival(t_ns, t_ns + 2 * ns_per_ms);
    unknown.arrival(t_ns, t_ns + 2 * ns_per_ms);
  }
  EXPECT_EQ(known.at(19 * ns_per_s)->host_ns, 19 * ns_per_s);
  EXPECT_EQ(known.at(19 * ns_per_s)->uncertainty_ns, 0);
  EXPECT_EQ(unknown.at(19 * ns_per_s)->host_ns, 19 * ns_per_s + 2 * ns_per_ms);
  EXPECT_EQ(unknown.at(19 * ns_per_s)->uncertainty_ns, 3 * ns_per_ms);
}

// One source of items each 10 ms with random delays, whose clock can be set.
struct Steady {
  SourceClock clock{ClockSettings{ns_per_ms, 0}};
  std::mt19937_64 dice{11};
  std::exponential_distribution<double> wait_ns{1.0 / 1e6};
  std::int64_t source_ns = 0;
  std::int64_t true_ns = 900 * ns_per_s;
  std::int64_t newest_host_ns = 0;

  void run(double seconds, std::int64_t delayed_ns = 0) {
    for (int i = 0; i < static_cast<int>(seconds * 100); ++i) {
      source_ns += 10 * ns_per_ms;
      true_ns += 10 * ns_per_ms;
      newest_host_ns =
          std::max(newest_host_ns, true_ns + ns_per_ms + delayed_ns + static_cast<std::int64_t>(wait_ns(dice)));
      clock.arrival(source_ns, newest_host_ns);
    }
  }
  std::int64_t error_ns() const {
    const auto reading = clock.at(source_ns);
    return reading ? std::llabs(reading->host_ns - true_ns) : INT64_MAX;
  }
};

TEST(SourceClock, tells_a_clock_that_was_set_ahead_and_fits_afresh) {
  Steady source;
  source.run(60);
  EXPECT_LT(source.error_ns(), 50'000);
  source.source_ns += 2 * ns_per_s;
  source.run(0.02);  // told at once: nothing else makes an item early
  const auto step = source.clock.take_step();
  ASSERT_TRUE(step);
  EXPECT_NEAR(static_cast<double>(step->step_ns), -2e9, 20e6);  // and what the first item waited
  EXPECT_FALSE(source.clock.take_step());
  EXPECT_FALSE(source.clock.at(source.source_ns)) << "too little seen since";
  source.run(6);
  EXPECT_LT(source.error_ns(), 100'000);
  EXPECT_FALSE(source.clock.take_step());
}

TEST(SourceClock, tells_a_clock_that_was_set_back_by_less_than_a_second_after_ten_seconds) {
  Steady source;
  source.run(60);
  source.source_ns -= 300 * ns_per_ms;
  source.run(20);
  const auto step = source.clock.take_step();
  ASSERT_TRUE(step);
  EXPECT_NEAR(static_cast<double>(step->step_ns), 300e6, 1e6);
  EXPECT_LT(source.error_ns(), 100'000);
}

TEST(SourceClock, states_a_clock_that_was_set_back_by_a_little_as_uncertain) {
  Steady source;
  source.run(60);
  source.source_ns -= 20 * ns_per_ms;
  source.run(15);
  EXPECT_FALSE(source.clock.take_step());
  EXPECT_GE(source.clock.at(source.source_ns)->uncertainty_ns, source.error_ns());
  source.run(140);  // what was before is forgotten
  EXPECT_LT(source.error_ns(), 50'000);
  EXPECT_LT(source.clock.at(source.source_ns)->uncertainty_ns, 200'000);
}

TEST(SourceClock, is_not_moved_by_a_queue_that_lasts_for_half_a_minute) {
  Steady source;
  source.run(60);
  source.run(30, 30 * ns_per_ms);
  EXPECT_FALSE(source.clock.take_step());
  EXPECT_LT(source.error_ns(), 100'000);
}

TEST(SourceClock, a_source_time_that_falls_by_more_than_a_second_starts_afresh) {
  Steady source;
  source.run(60);
  source.source_ns = 0;  // the device was restarted, and its driver did not say so
  source.run(0.5);
  EXPECT_FALSE(source.clock.at(source.source_ns));
  source.run(6);
  EXPECT_LT(source.error_ns(), 100'000);
}

TEST(SourceClock, forgets_all_at_a_restart_but_its_settings) {
  Steady source;
  source.run(60);
  source.clock.restart();
  EXPECT_FALSE(source.clock.at(source.source_ns));
  source.source_ns = 77 * ns_per_s;
  source.run(10);
  EXPECT_LT(source.error_ns(), 100'000);
}

TEST(SourceClock, frames_that_are_a_little_out_of_order_do_not_disturb_it) {
  Steady source;
  for (int i = 0; i < 600; ++i) {
    source.run(0.1);
    source.clock.arrival(source.source_ns - 3 * ns_per_ms, source.newest_host_ns + 1);
  }
  EXPECT_LT(source.error_ns(), 50'000);
}

TEST(SourceClock, says_nothing_of_a_source_that_is_read_as_fast_as_it_goes) {
  SourceClock clock;
  for (std::int64_t t_ns = 0; t_ns < 100 * ns_per_s; t_ns += ns_per_ms) {
    clock.arrival(t_ns, 7 * ns_per_s + t_ns / 1000);  // a file, a thousand times faster than it was made
  }
  EXPECT_FALSE(clock.at(99 * ns_per_s));
  EXPECT_FALSE(clock.take_step());
}

TEST(SourceClock, knows_less_the_further_from_what_it_has_seen) {
  Steady source;
  source.run(100);
  const std::int64_t near_ns = source.clock.at(source.source_ns)->uncertainty_ns;
  const std::int64_t far_ns = source.clock.at(source.source_ns + 1000 * ns_per_s)->uncertainty_ns;
  EXPECT_GT(far_ns, 2 * near_ns);
}

// Times of every size, in any order: no reading that is no number, nothing that the sanitizers find.
TEST(SourceClock, bears_times_of_any_size) {
  std::mt19937_64 dice(5);
  for (int round = 0; round < 200; ++round) {
    SourceClock clock({ns_per_ms, ns_per_ms});
    std::int64_t host_ns = static_cast<std::int64_t>(dice());
    for (int i = 0; i < 300; ++i) {
      const int shift = static_cast<int>(dice() % 64);
      const auto source_ns = static_cast<std::int64_t>(dice()) >> shift;
      host_ns =
          dice() % 3 == 0 ? static_cast<std::int64_t>(dice()) : host_ns + static_cast<std::int64_t>(dice() % 1000);
      clock.arrival(source_ns, host_ns);
      if (const auto reading = clock.at(static_cast<std::int64_t>(dice()))) {
        EXPECT_TRUE(std::isfinite(reading->skew_ppm));
        EXPECT_GE(reading->uncertainty_ns, 0);
      }
      clock.take_step();
    }
  }
}

}  // namespace
}  // namespace cw
