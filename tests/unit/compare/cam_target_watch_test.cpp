#include "compare/cam_target_watch.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

namespace cw {
namespace {

constexpr double cycle_s = 0.06;  // 2,000 rpm

// A phaser of 0 to -40 degrees that goes to its target at `rate_` degrees a second after `delay_s_`.
class CamTargetWatchTest : public testing::Test {
 protected:
  static Engine one_cam() {
    CamPattern cam;
    cam.name = "intake";
    cam.phaser_min_deg = -40;
    Engine engine;
    engine.cams = {cam};
    return engine;
  }
  std::vector<Finding> go(double target_deg, double for_s) {
    std::vector<Finding> out;
    for (double left_s = for_s, waited_s = 0; left_s > 0; left_s -= cycle_s, waited_s += cycle_s) {
      t_s_ += cycle_s;
      const double aim = std::clamp(target_deg, reach_deg_, 0.0);
      if (waited_s >= delay_s_) {
        phase_deg_ += std::clamp(aim - phase_deg_, -rate_ * cycle_s, rate_ * cycle_s);
      }
      watch_.take({0, static_cast<std::int64_t>(t_s_ * 1e9), phase_deg_, target_deg, 2000, 0}, out);
    }
    return out;
  }

  Engine engine_ = one_cam();
  std::uint64_t next_id_ = 1;
  CamTargetWatch watch_{engine_, next_id_};
  double t_s_ = 1;
  double phase_deg_ = 0;
  double rate_ = 100;
  double delay_s_ = 0.1;
  double reach_deg_ = -40;
};

TEST_F(CamTargetWatchTest, a_phaser_that_follows_is_measured_and_nothing_is_said) {
  EXPECT_TRUE(go(0, 5).empty());
  EXPECT_TRUE(go(-30, 5).empty());
  EXPECT_TRUE(go(-10, 5).empty());
  ASSERT_EQ(watch_.moves(0).size(), 2U);
  const CamMove& move = watch_.moves(0).front();
  EXPECT_NEAR(move.to_deg - move.from_deg, -30, 0.1);
  EXPECT_NEAR(move.delay_s, 0.1, 2 * cycle_s);
  EXPECT_NEAR(move.duration_s, 0.1 + 28.0 / 100, 2 * cycle_s);
  EXPECT_LT(move.rate_deg_per_s, 0) << "towards advance";
  EXPECT_NEAR(watch_.travel(0)->least_deg, -30, 0.1);
  EXPECT_NEAR(watch_.travel(0)->greatest_deg, 0, 0.1);
}

TEST_F(CamTargetWatchTest, one_that_does_not_come_to_its_target_is_no_move) {
  go(0, 5);
  reach_deg_ = -12;
  EXPECT_TRUE(go(-30, 10).empty());
  EXPECT_TRUE(watch_.moves(0).empty());
}

TEST_F(CamTargetWatchTest, targets_that_change_all_the_time_are_not_judged) {
  for (int i = 0; i < 200; ++i) {
    EXPECT_TRUE(go(i % 2 == 0 ? -35 : -5, 0.3).empty());
  }
}

TEST_F(CamTargetWatchTest, a_phaser_that_becomes_slow_is_told_after_four_late_moves) {
  for (int i = 0; i < 10; ++i) {
    EXPECT_TRUE(go(i % 2 == 0 ? -30 : 0, 4).empty());
  }
  rate_ = 20;
  int told = 0;
  for (int i = 0; i < 6; ++i) {
    for (const Finding& finding : go(i % 2 == 0 ? -30 : 0, 4)) {
      ++told;
      EXPECT_GE(i, 3);
      EXPECT_EQ(finding.reason, attribute(FindingKind::cam_off_target, Circumstance::slow_to_target).reason);
    }
  }
  EXPECT_EQ(told, 1);
}

TEST_F(CamTargetWatchTest, without_a_target_nothing_is_said) {
  std::vector<Finding> out;
  for (int i = 0; i < 1000; ++i) {
    watch_.take({0, static_cast<std::int64_t>(i) * 60'000'000, -20, std::nullopt, 2000, 0}, out);
  }
  EXPECT_TRUE(out.empty());
  EXPECT_TRUE(watch_.moves(0).empty());
}

}  // namespace
}  // namespace cw
