#include "compare/baseline_watch.hpp"

#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/engine_times.hpp"

namespace cw {
namespace {

// Cycles at one speed, the mark `deviation_deg` late, cam 0 at `phase_deg`.
class BaselineTest : public testing::Test {
 protected:
  BaselineTest() : engine_(test::two_cam_engine()) {}

  Cycle cycle(double rpm, double deviation_deg, double phase_deg, double margin) {
    Cycle made;
    made.number = ++number_;
    made.tdc_ns = t_ns_ += static_cast<std::int64_t>(120e9 / rpm);
    made.rpm = rpm;
    made.state = LockState::cycle_locked;
    made.reference_deviation_deg = deviation_deg + (number_ % 2 == 0 ? 0.02 : -0.02);
    made.reference_uncertainty_deg = 0.01;
    made.sync_margin = margin;
    made.cam_phase_deg = {phase_deg, std::nullopt};
    return made;
  }

  Baseline made_at(double rpm, double deviation_deg, double phase_deg, double margin = 0.9) {
    SteadySamples samples(engine_);
    BaselineMaker maker(engine_);
    for (int i = 0; i < 400; ++i) {
      if (const auto sample = samples.take(cycle(rpm, deviation_deg, phase_deg, margin))) {
        maker.take(*sample);
      }
    }
    return maker.baseline();
  }

  std::vector<Finding> watched(double rpm, double deviation_deg, double phase_deg, double margin = 0.9) {
    BaselineWatch watch(engine_, next_id_);
    std::vector<Finding> out;
    for (int i = 0; i < 300; ++i) {
      watch.take(cycle(rpm, deviation_deg, phase_deg, margin), out);
    }
    return out;
  }

  Engine engine_;
  std::uint64_t next_id_ = 1;
  std::uint64_t number_ = 0;
  std::int64_t t_ns_ = 0;
};

TEST_F(BaselineTest, keeps_means_by_band_and_cam_with_their_intervals) {
  const Baseline baseline = made_at(2200, 0.4, 1.5);
  ASSERT_EQ(baseline.bands.size(), 1U);
  EXPECT_EQ(baseline.bands[0].from_rpm, 2000);
  EXPECT_EQ(baseline.bands[0].to_rpm, 2500);
  ASSERT_TRUE(baseline.bands[0].tdc_deviation_deg);
  EXPECT_NEAR(baseline.bands[0].tdc_deviation_deg->value, 0.4, 0.01);
  EXPECT_GE(baseline.bands[0].tdc_deviation_deg->uncertainty, 0.01) << "what does not average away stays";
  ASSERT_EQ(baseline.cams.size(), 1U) << "the other cam was not seen";
  EXPECT_NEAR(baseline.cams[0].phase_deg.value, 1.5, 1e-9);
}

TEST_F(BaselineTest, the_same_again_is_no_difference_and_other_speeds_are_not_compared) {
  const Baseline before = made_at(2200, 0.4, 1.5);
  for (const BaselinePair& pair : pairs_of(before, made_at(2210, 0.42, 1.4))) {
    EXPECT_FALSE(pair.differs());
  }
  EXPECT_TRUE(pairs_of(before, made_at(4200, 3, 1.5)).size() == 1U) << "the cam only";
}

TEST_F(BaselineTest, says_what_differs_and_never_beyond_what_both_are_unsure_of) {
  const Baseline before = made_at(2200, 0.4, 1.5);
  Baseline now = made_at(2200, 1.4, 1.5);
  const auto pairs = pairs_of(before, now);
  EXPECT_TRUE(pairs.front().differs());
  EXPECT_NEAR(pairs.front().difference(), 1, 0.01);
  now.bands[0].tdc_deviation_deg->uncertainty = 1.2;
  EXPECT_FALSE(pairs_of(before, now).front().differs());
}

TEST_F(BaselineTest, angles_are_not_compared_when_the_engine_file_has_another_offset) {
  const Baseline before = made_at(2200, 0.4, 1.5);
  engine_.crank.trigger_offset_deg += 3;
  for (const BaselinePair& pair : pairs_of(before, made_at(2200, 3.4, 1.5))) {
    EXPECT_NE(pair.item, BaselineItem::tdc_deviation);
  }
}

TEST_F(BaselineTest, the_watch_tells_deviation_cam_and_margin_each_once) {
  EXPECT_TRUE(watched(2200, 3, 9, 0.2).empty()) << "no baseline";
  engine_.baseline = made_at(2200, 0.1, 0.5);
  EXPECT_TRUE(watched(2200, 0.2, 0.7).empty());
  const auto found = watched(2200, 1.1, 0.5);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].kind, FindingKind::differs_from_baseline);
  EXPECT_EQ(found[0].channel, "ref");
  EXPECT_EQ(watched(2200, 0.1, 3.5).size(), 1U);
  EXPECT_EQ(watched(2200, 0.1, 0.5, 0.5).size(), 1U);
  EXPECT_TRUE(watched(4200, 1.1, 0.5).empty()) << "a speed that the baseline does not know";
}

}  // namespace
}  // namespace cw
