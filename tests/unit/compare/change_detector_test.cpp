#include "compare/change_detector.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <vector>

#include "simulate/random.hpp"

namespace cw {
namespace {

// Ten readings a second of a number that is `value(t_s)` with noise of 0.1, at `rpm`.
class ChangeDetectorTest : public testing::Test {
 protected:
  std::vector<Change> run(double for_s, const std::function<double(double)>& value, double rpm = 2000) {
    std::vector<Change> out;
    for (const double end_s = t_s_ + for_s; t_s_ < end_s;) {
      t_s_ += 0.1;
      detector_.take({static_cast<std::int64_t>(t_s_ * 1e9), value(t_s_) + 0.1 * random_.normal(), rpm}, out);
    }
    return out;
  }
  std::vector<Change> steady(double for_s, double value, double rpm = 2000) {
    return run(
        for_s, [value](double) { return value; }, rpm);
  }

  ChangeDetector detector_{ChangeLimits{0.5, 30, 0.5}};
  sim::Random random_{11, 1};
  double t_s_ = 0;
};

TEST_F(ChangeDetectorTest, says_nothing_of_what_stays_wherever_it_stands) {
  EXPECT_TRUE(steady(3600, 7.3).empty());
  EXPECT_NEAR(*detector_.offset(), 0, 0.15);
}

TEST_F(ChangeDetectorTest, a_step_is_found_within_seconds_with_its_size_and_time_and_ends_when_it_goes_back) {
  ASSERT_TRUE(steady(120, 1).empty());
  const std::vector<Change> found = steady(30, 2);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].phase, ChangePhase::began);
  EXPECT_EQ(found[0].kind, ChangeKind::step);
  EXPECT_NEAR(found[0].from, 1, 0.1);
  EXPECT_NEAR(found[0].to, 2, 0.15);
  EXPECT_NEAR(static_cast<double>(found[0].begin_ns) * 1e-9, 120, 2);
  EXPECT_NEAR(static_cast<double>(found[0].end_ns) * 1e-9, 120, 2);
  EXPECT_TRUE(steady(600, 2).empty()) << "it is told once";
  const std::vector<Change> over = steady(30, 1);
  ASSERT_EQ(over.size(), 1U);
  EXPECT_EQ(over[0].phase, ChangePhase::came_back);
  EXPECT_EQ(over[0].number, found[0].number);
  EXPECT_NEAR(over[0].to, 1, 0.15);
}

TEST_F(ChangeDetectorTest, says_nothing_of_less_than_three_quarters_of_what_is_to_be_reported) {
  ASSERT_TRUE(steady(300, 0).empty());
  EXPECT_TRUE(steady(1200, 0.33).empty());
}

TEST_F(ChangeDetectorTest, a_drift_is_told_with_its_rate_and_when_it_began_and_again_when_it_stops) {
  ASSERT_TRUE(steady(300, 0).empty());
  const auto walking = [](double t_s) { return 0.1 / 60 * (t_s - 300); };
  const std::vector<Change> found = run(900, walking);
  ASSERT_EQ(found.size(), 1U) << "it goes on: one finding";
  EXPECT_EQ(found[0].kind, ChangeKind::drift);
  EXPECT_NEAR(found[0].rate_per_s * 60, 0.1, 0.02);
  EXPECT_NEAR(static_cast<double>(found[0].begin_ns) * 1e-9, 300, 45);
  EXPECT_LT(static_cast<double>(found[0].end_ns) * 1e-9, 300 + 600) << "seen long before it is a degree";
  const std::vector<Change> stopped = steady(1800, walking(t_s_));
  ASSERT_EQ(stopped.size(), 1U);
  EXPECT_EQ(stopped[0].phase, ChangePhase::stopped);
  EXPECT_NEAR(stopped[0].to, 1.5, 0.15);
}

TEST_F(ChangeDetectorTest, a_delay_shows_as_degrees_that_grow_with_speed_and_is_no_change) {
  const double delay_s = 100e-6;
  std::vector<Change> all;
  for (int round = 0; round < 40; ++round) {
    for (const double rpm : {900.0, 3000.0, 1500.0, 6000.0, 4500.0}) {
      const std::vector<Change> found = steady(25, delay_s * 6 * rpm, rpm);
      all.insert(all.end(), found.begin(), found.end());
    }
  }
  EXPECT_TRUE(all.empty()) << "3.6 degrees at 6,000 rpm, 0.54 at 900";
}

TEST_F(ChangeDetectorTest, a_speed_that_comes_later_is_learned_with_the_change_so_far_taken_off) {
  steady(120, 0, 2000);
  ASSERT_EQ(steady(60, 2, 2000).size(), 1U);
  EXPECT_TRUE(steady(120, 2, 5000).empty());
  const std::vector<Change> back = steady(60, 0, 5000);
  ASSERT_EQ(back.size(), 1U);
  EXPECT_EQ(back[0].phase, ChangePhase::came_back);
}

TEST_F(ChangeDetectorTest, changing_speed_is_not_judged) {
  steady(120, 0);
  std::vector<Change> out;
  for (int i = 0; i < 3000; ++i) {
    t_s_ += 0.1;
    detector_.take({static_cast<std::int64_t>(t_s_ * 1e9), 5, 2000 + 100.0 * (i % 10)}, out);
  }
  EXPECT_TRUE(out.empty());
}

TEST_F(ChangeDetectorTest, a_burst_that_passes_is_no_step) {
  steady(120, 0);
  EXPECT_TRUE(steady(3, 5).empty());
  EXPECT_TRUE(steady(120, 0).empty());
}

TEST_F(ChangeDetectorTest, readings_before_and_after_a_break_are_not_put_together_but_levels_stay_known) {
  steady(120, 0);
  detector_.break_off();
  t_s_ = 5;  // another time line
  EXPECT_EQ(steady(30, 2).size(), 1U);
}

TEST_F(ChangeDetectorTest, what_is_told_elsewhere_is_not_told_again) {
  steady(120, 0);
  detector_.allow_for(15);
  EXPECT_TRUE(steady(300, 15).empty());
}

TEST_F(ChangeDetectorTest, a_larger_limit_for_some_time_and_learning_anew_after_it) {
  steady(60, 0);
  detector_.set_change(6, false);
  EXPECT_TRUE(run(600, [](double t_s) { return 2 * (1 - std::exp(-(t_s - 60) / 150)); }).empty()) << "it warms up";
  detector_.set_change(0.5, true);
  EXPECT_FALSE(detector_.learned());
  EXPECT_TRUE(steady(600, 2).empty());
  EXPECT_EQ(steady(60, 3).size(), 1U);
}

TEST_F(ChangeDetectorTest, noise_that_hangs_together_is_waited_out) {
  // 0.15 degrees of wander over 20 s beside a limit of half a degree.
  double wander = 0;
  const auto value = [&](double) {
    const double kept = std::exp(-0.1 / 20);
    wander = kept * wander + std::sqrt(1 - kept * kept) * 0.15 * random_.normal();
    return wander;
  };
  EXPECT_TRUE(run(4 * 3600, value).empty());
}

TEST_F(ChangeDetectorTest, memory_stays_bounded_and_a_slow_drift_over_hours_is_found) {
  steady(300, 0);
  const std::vector<Change> found = run(5 * 3600, [](double t_s) { return 0.15 / 3600 * (t_s - 300); });
  ASSERT_FALSE(found.empty());
  EXPECT_EQ(found[0].kind, ChangeKind::drift);
  EXPECT_NEAR(found[0].rate_per_s * 3600, 0.15, 0.03);
}

}  // namespace
}  // namespace cw
