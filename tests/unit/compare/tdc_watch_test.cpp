#include "compare/tdc_watch.hpp"

#include <optional>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/engine_times.hpp"

namespace cw {
namespace {

constexpr std::int64_t cycle_ns = 120'000'000;  // 1,000 rpm

// Pulses of the two-cam engine (mark 10 degrees before TDC1, limits 1 and 3 degrees, 8 cycles), one a cycle.
class TdcWatchTest : public testing::Test {
 protected:
  TdcWatchTest() : engine_(test::two_cam_engine()), watch_(engine_, next_id_) {}

  ReferenceEvent pulse(double deviation_deg, LockState state = LockState::cycle_locked) {
    ReferenceEvent event;
    event.t_ns = ++pulses_ * cycle_ns;
    event.angle_deg = wrap_deg(-engine_.reference->advance_deg + deviation_deg, 720);
    event.uncertainty_deg = 0.01;
    event.rpm = 1000;
    event.cycle = static_cast<std::uint64_t>(pulses_);
    event.state = state;
    return event;
  }
  std::vector<Finding> pulses(double deviation_deg, int count, LockState state = LockState::cycle_locked,
                              bool cams_steady = true, double uncertainty_deg = 0.01) {
    std::vector<Finding> out;
    for (int i = 0; i < count; ++i) {
      ReferenceEvent event = pulse(deviation_deg, state);
      event.uncertainty_deg = uncertainty_deg;
      watch_.take(event, cams_steady, out);
    }
    return out;
  }
  std::vector<Finding> cycles(int count) {
    std::vector<Finding> out;
    for (int i = 0; i < count; ++i) {
      CycleEvent event;
      event.number = static_cast<std::uint64_t>(++pulses_);
      event.tdc_ns = pulses_ * cycle_ns;
      event.rpm = 1000;
      event.state = LockState::cycle_locked;
      watch_.take(event, out);
    }
    return out;
  }
  double value(const Finding& finding, const std::string& name) {
    for (const auto& [key, number] : finding.values) {
      if (key == name) {
        return number;
      }
    }
    ADD_FAILURE() << name << " is not among the values";
    return 0;
  }

  Engine engine_;
  std::uint64_t next_id_ = 1;
  TdcWatch watch_;
  int pulses_ = 0;
};

TEST_F(TdcWatchTest, says_nothing_while_the_mark_is_within_its_limit) {
  EXPECT_TRUE(pulses(0.9, 100).empty());
  EXPECT_TRUE(pulses(-0.9, 100).empty());
}

TEST_F(TdcWatchTest, opens_a_warning_only_after_the_cycles_that_must_agree) {
  ASSERT_TRUE(pulses(2.0, engine_.limits.hold_cycles - 1).empty());
  const std::vector<Finding> found = pulses(2.0, 1);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].kind, FindingKind::tdc_deviation);
  EXPECT_EQ(found[0].phase, FindingPhase::open);
  EXPECT_EQ(found[0].severity, Severity::warning);
  EXPECT_EQ(found[0].attribution, Attribution::ecu);
  EXPECT_EQ(found[0].channel, "ref");
  EXPECT_NEAR(value(found[0], "deviation_deg"), 2.0, 1e-9);
  EXPECT_EQ(found[0].start_ns, cycle_ns) << "since the first pulse that was out";
  EXPECT_TRUE(pulses(2.0, 50).empty()) << "it is open already";
}

TEST_F(TdcWatchTest, positive_is_late_and_negative_is_early) {
  const std::vector<Finding> late = pulses(2.0, 8);
  ASSERT_EQ(late.size(), 1U);
  EXPECT_GT(value(late[0], "deviation_deg"), 0);
  pulses(0, 8);
  const std::vector<Finding> early = pulses(-2.0, 8);
  ASSERT_EQ(early.size(), 1U);
  EXPECT_LT(value(early[0], "deviation_deg"), 0);
}

TEST_F(TdcWatchTest, one_wild_pulse_opens_nothing) {
  pulses(0.1, 8);
  EXPECT_TRUE(pulses(60, 1).empty());
  EXPECT_TRUE(pulses(0.1, 20).empty());
}

TEST_F(TdcWatchTest, closes_below_the_share_of_the_limit_and_not_before) {
  const std::vector<Finding> opened = pulses(2.0, 8);
  ASSERT_EQ(opened.size(), 1U);
  EXPECT_TRUE(pulses(0.8, 30).empty()) << "between half the limit and the limit it stays open";
  const std::vector<Finding> closed = pulses(0.2, 8);
  ASSERT_EQ(closed.size(), 1U);
  EXPECT_EQ(closed[0].phase, FindingPhase::close);
  EXPECT_EQ(closed[0].id, opened[0].id);
  EXPECT_EQ(closed[0].start_ns, opened[0].start_ns);
  EXPECT_GT(closed[0].end_ns, closed[0].start_ns);
  EXPECT_LT(std::fabs(value(closed[0], "deviation_deg")), 0.5);
}

TEST_F(TdcWatchTest, a_warning_that_grows_is_raised_to_a_fault_under_the_same_id) {
  const std::vector<Finding> warning = pulses(2.0, 8);
  ASSERT_EQ(warning.size(), 1U);
  const std::vector<Finding> fault = pulses(5.0, 8);
  ASSERT_EQ(fault.size(), 1U);
  EXPECT_EQ(fault[0].severity, Severity::fault);
  EXPECT_EQ(fault[0].id, warning[0].id);
  EXPECT_EQ(fault[0].start_ns, warning[0].start_ns);
  EXPECT_TRUE(pulses(2.0, 30).empty()) << "it is not lowered again while it is open";
}

TEST_F(TdcWatchTest, a_mark_a_turn_out_is_seen_in_cycle_lock_and_can_not_be_in_revolution_lock) {
  const std::vector<Finding> found = pulses(360 - 0.0, 8);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_NEAR(std::fabs(value(found[0], "deviation_deg")), 360, 1e-9);
  pulses(0, 20);
  EXPECT_TRUE(pulses(360, 20, LockState::revolution_locked).empty());
}

TEST_F(TdcWatchTest, says_when_the_compression_stroke_is_not_verified) {
  const std::vector<Finding> cycle = pulses(2.0, 8);
  ASSERT_EQ(cycle.size(), 1U);
  EXPECT_EQ(cycle[0].reason.find("compression stroke not verified"), std::string::npos);
  pulses(0, 8);
  const std::vector<Finding> revolution = pulses(2.0, 8, LockState::revolution_locked);
  ASSERT_EQ(revolution.size(), 1U);
  EXPECT_NE(revolution[0].reason.find("compression stroke not verified"), std::string::npos);
}

TEST_F(TdcWatchTest, a_wasted_spark_mark_is_judged_modulo_360_and_says_so) {
  engine_.reference->period_deg = 360;
  const std::vector<Finding> found = pulses(362, 8);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_NEAR(value(found[0], "deviation_deg"), 2, 1e-9);
  EXPECT_NE(found[0].reason.find("compression stroke not verified"), std::string::npos);
}

TEST_F(TdcWatchTest, says_when_the_offset_of_the_file_is_unverified) {
  engine_.crank.offset_basis = OffsetBasis::unverified;
  const std::vector<Finding> found = pulses(2.0, 8);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_NE(found[0].reason.find("unverified"), std::string::npos);
}

TEST_F(TdcWatchTest, does_not_blame_the_ecu_alone_when_no_cam_tells) {
  engine_.cams.clear();
  const std::vector<Finding> found = pulses(2.0, 8);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_NE(found[0].reason.find("engine file"), std::string::npos);
}

TEST_F(TdcWatchTest, pulses_without_a_lock_are_not_judged) {
  EXPECT_TRUE(pulses(20, 30, LockState::searching).empty());
  EXPECT_TRUE(pulses(20, 30, LockState::lost).empty());
  EXPECT_FALSE(watch_.take_last_deviation());
  EXPECT_TRUE(watch_.take_second().empty());
}

TEST_F(TdcWatchTest, nothing_is_judged_while_the_advance_must_come_from_the_ecu) {
  engine_.reference->advance_from = "spark_advance";
  EXPECT_TRUE(pulses(20, 30).empty());
}

TEST_F(TdcWatchTest, readings_before_and_after_a_break_are_not_put_together) {
  EXPECT_TRUE(pulses(2.0, 7).empty());
  watch_.break_off();
  EXPECT_TRUE(pulses(2.0, 7).empty());
  EXPECT_EQ(pulses(2.0, 1).size(), 1U);
}

TEST_F(TdcWatchTest, the_last_deviation_and_those_of_a_second_are_taken_once) {
  pulses(0.25, 3);
  ASSERT_TRUE(watch_.take_last_deviation().has_value());
  EXPECT_FALSE(watch_.take_last_deviation().has_value());
  const std::vector<double> second = watch_.take_second();
  ASSERT_EQ(second.size(), 3U);
  EXPECT_NEAR(second[0], 0.25, 1e-9);
  EXPECT_TRUE(watch_.take_second().empty());
}

// The limits are 1 and 3 degrees; with an uncertainty of 0.9 they are 1 + (0.9 - 1 / 2) = 1.4 and 3.4.
TEST_F(TdcWatchTest, an_uncertainty_beyond_half_the_warning_limit_widens_the_limits) {
  EXPECT_TRUE(pulses(1.35, 30, LockState::cycle_locked, true, 0.9).empty());
  const std::vector<Finding> warning = pulses(1.45, 8, LockState::cycle_locked, true, 0.9);
  ASSERT_EQ(warning.size(), 1U);
  EXPECT_EQ(warning[0].severity, Severity::warning);
  EXPECT_NEAR(value(warning[0], "uncertainty_deg"), 0.9, 1e-9);
  EXPECT_TRUE(pulses(3.35, 30, LockState::cycle_locked, true, 0.9).empty());
  const std::vector<Finding> fault = pulses(3.45, 8, LockState::cycle_locked, true, 0.9);
  ASSERT_EQ(fault.size(), 1U);
  EXPECT_EQ(fault[0].severity, Severity::fault);
}

TEST_F(TdcWatchTest, an_uncertainty_below_half_the_warning_limit_widens_nothing) {
  EXPECT_TRUE(pulses(0.95, 30, LockState::cycle_locked, true, 0.5).empty());
  EXPECT_EQ(pulses(1.05, 8, LockState::cycle_locked, true, 0.5).size(), 1U);
}

TEST_F(TdcWatchTest, a_reading_more_uncertain_than_ten_degrees_is_left_out) {
  EXPECT_TRUE(pulses(90, 30, LockState::cycle_locked, true, 10.1).empty());
  EXPECT_FALSE(watch_.take_last_deviation());
  EXPECT_EQ(pulses(90, 8, LockState::cycle_locked, true, 9.9).size(), 1U);
}

TEST_F(TdcWatchTest, a_mark_that_stays_away_is_told_once_and_closed_when_it_returns) {
  pulses(0, 10);
  ASSERT_TRUE(cycles(3).empty());
  std::vector<Finding> found = cycles(30);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].kind, FindingKind::reference_missing);
  EXPECT_EQ(found[0].phase, FindingPhase::open);
  EXPECT_EQ(found[0].start_ns, 10 * cycle_ns) << "the last pulse";
  const std::vector<Finding> back = pulses(0, 1);
  ASSERT_EQ(back.size(), 1U);
  EXPECT_EQ(back[0].phase, FindingPhase::close);
  EXPECT_EQ(back[0].id, found[0].id);
}

TEST_F(TdcWatchTest, a_mark_that_never_came_is_not_missing) {
  EXPECT_TRUE(cycles(50).empty());
}

}  // namespace
}  // namespace cw
