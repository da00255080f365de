#include "compare/offset_watch.hpp"

#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/engine_times.hpp"

namespace cw {
namespace {

class OffsetWatchTest : public testing::Test {
 protected:
  OffsetWatchTest() : engine_(test::two_cam_engine()), watch_(engine_, next_id_) {}

  // Four seconds of cycles with the mark so late.
  void hold(double rpm, double offset_deg, double delay_us) {
    const auto cycle_ns = static_cast<std::int64_t>(120e9 / rpm);
    for (std::int64_t left_ns = 4'400'000'000; left_ns > 0; left_ns -= cycle_ns) {
      Cycle cycle;
      cycle.number = ++number_;
      cycle.tdc_ns = t_ns_ += cycle_ns;
      cycle.rpm = rpm;
      cycle.state = LockState::cycle_locked;
      const double wobble = number_ % 2 == 0 ? 0.01 : -0.01;
      cycle.reference_deviation_deg = offset_deg + 6e-6 * rpm * delay_us + wobble;
      cycle.reference_uncertainty_deg = 0.002;
      watch_.take(cycle, out_);
    }
  }
  void sweep(double offset_deg, double delay_us) {
    for (const double rpm : {900.0, 1800.0, 3000.0, 4400.0, 5600.0}) {
      hold(rpm, offset_deg, delay_us);
    }
  }
  double value(const std::string& name) {
    for (const auto& [key, number] : out_.back().values) {
      if (key == name) {
        return number;
      }
    }
    ADD_FAILURE() << name;
    return 0;
  }

  Engine engine_;
  std::uint64_t next_id_ = 1;
  std::uint64_t number_ = 0;
  std::int64_t t_ns_ = 0;
  OffsetWatch watch_;
  std::vector<Finding> out_;
};

TEST_F(OffsetWatchTest, tells_angle_and_delay_once_the_speeds_are_far_enough_apart) {
  hold(900, 2.1, 50);
  hold(1800, 2.1, 50);
  hold(3000, 2.1, 50);
  EXPECT_TRUE(out_.empty());
  hold(4400, 2.1, 50);
  hold(5600, 2.1, 50);
  ASSERT_FALSE(out_.empty());
  EXPECT_EQ(out_.front().kind, FindingKind::offset_and_delay);
  EXPECT_EQ(out_.front().phase, FindingPhase::open);
  EXPECT_NEAR(value("offset_deg"), 2.1, 0.05);
  EXPECT_NEAR(value("delay_us"), 50, 2);
  EXPECT_EQ(next_id_, 2U) << "one condition";
}

TEST_F(OffsetWatchTest, says_nothing_of_what_would_open_no_deviation) {
  sweep(0.3, 5);
  EXPECT_TRUE(out_.empty());
}

TEST_F(OffsetWatchTest, names_an_angle) {
  sweep(3.0, 0);
  ASSERT_FALSE(out_.empty());
  EXPECT_NE(out_.back().reason.find("same angle at all speeds"), std::string::npos);
}

TEST_F(OffsetWatchTest, a_delay_is_undecided_between_ecu_and_conditioners) {
  sweep(0, 120);
  ASSERT_FALSE(out_.empty());
  EXPECT_EQ(out_.back().attribution, Attribution::undecided);
  EXPECT_NE(out_.back().reason.find("grows with speed"), std::string::npos);
}

TEST_F(OffsetWatchTest, says_that_a_dwell_edge_is_probably_the_wrong_edge) {
  sweep(0, -3000);
  ASSERT_FALSE(out_.empty());
  EXPECT_NE(out_.back().reason.find("switched on"), std::string::npos);
}

TEST_F(OffsetWatchTest, is_over_when_a_new_number_was_entered_and_speeds_were_run_again) {
  sweep(3.0, 0);
  ASSERT_FALSE(out_.empty());
  sweep(0, 0);
  sweep(0, 0);
  EXPECT_EQ(out_.back().phase, FindingPhase::close);
  EXPECT_EQ(watch_.fit().verdict, OffsetVerdict::no_error);
}

TEST_F(OffsetWatchTest, waits_for_a_locked_advance) {
  engine_.reference->advance_from = "spark_advance";
  sweep(3.0, 0);
  EXPECT_TRUE(out_.empty());
}

}  // namespace
}  // namespace cw
