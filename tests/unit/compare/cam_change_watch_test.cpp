#include "compare/cam_change_watch.hpp"

#include <gtest/gtest.h>

#include <functional>
#include <string>
#include <vector>

#include "simulate/random.hpp"

namespace cw {
namespace {

constexpr double cycle_s = 0.06;  // 2,000 rpm

// Two fixed cams with a scatter of 0.1 degrees, warm from the start unless told otherwise.
class CamChangeWatchTest : public testing::Test {
 protected:
  CamChangeWatchTest() {
    for (const char* name : {"intake", "exhaust"}) {
      CamPattern cam;
      cam.name = name;
      cam.gear_teeth = 48;
      engine_.cams.push_back(cam);
    }
    engine_.limits.warm_up_s = 0;
  }
  using Phases = std::function<std::vector<double>(double)>;
  std::vector<Finding> run(CamChangeWatch& watch, double for_s, const Phases& phases) {
    std::vector<Finding> out;
    for (const double end_s = t_s_ + for_s; t_s_ < end_s;) {
      t_s_ += cycle_s;
      ++cycle_;
      const std::vector<double> now = phases(t_s_);
      for (std::size_t cam = 0; cam < now.size(); ++cam) {
        CamCycleEvent event;
        event.cam = cam;
        event.cycle = cycle_;
        event.match.matched = 3;
        event.match.shift_deg = now[cam] + 0.1 * random_.normal();
        event.now_ns = static_cast<std::int64_t>(t_s_ * 1e9);
        event.rpm = 2000;
        watch.take(event, 0, conditions_, out);
      }
    }
    return out;
  }

  Engine engine_;
  std::uint64_t next_id_ = 1;
  CamConditions conditions_;
  sim::Random random_{21, 1};
  double t_s_ = 0;
  std::uint64_t cycle_ = 0;
};

double value_of(const Finding& finding, const std::string& name) {
  const auto value =
      std::find_if(finding.values.begin(), finding.values.end(), [&](const auto& one) { return one.first == name; });
  return value == finding.values.end() ? -1000 : value->second;
}

TEST_F(CamChangeWatchTest, one_of_two_cams_that_walks_off_is_its_drive) {
  CamChangeWatch watch(engine_, next_id_);
  EXPECT_TRUE(run(watch, 120, [](double) { return std::vector{1.0, -2.0}; }).empty());
  const auto found = run(watch, 600, [](double t_s) { return std::vector{1 + 0.2 / 60 * (t_s - 120), -2.0}; });
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].kind, FindingKind::cam_drift);
  EXPECT_EQ(found[0].attribution, Attribution::cam_drive);
  EXPECT_EQ(found[0].channel, "intake");
  EXPECT_EQ(found[0].phase, FindingPhase::open);
  EXPECT_NEAR(static_cast<double>(found[0].start_ns) * 1e-9, 120, 30);
}

TEST_F(CamChangeWatchTest, cams_that_walk_off_together_are_one_finding_and_late_is_undecided_early_the_wheel) {
  for (const double sign : {1.0, -1.0}) {
    CamChangeWatch watch(engine_, next_id_);
    const double from_s = t_s_;
    run(watch, 120, [](double) { return std::vector{1.0, -2.0}; });
    const auto found = run(watch, 600, [&](double t_s) {
      const double by = sign * 0.2 / 60 * (t_s - from_s - 120);
      return std::vector{1 + by, -2 + by};
    });
    ASSERT_EQ(found.size(), 1U) << sign;
    EXPECT_EQ(found[0].kind, FindingKind::crank_wheel_drift);
    EXPECT_EQ(found[0].attribution, sign > 0 ? Attribution::undecided : Attribution::wheel);
  }
}

TEST_F(CamChangeWatchTest, a_small_step_is_told_as_one_and_closes_when_it_goes_back) {
  CamChangeWatch watch(engine_, next_id_);
  run(watch, 120, [](double) { return std::vector{0.0, 0.0}; });
  const auto found = run(watch, 120, [](double) { return std::vector{0.0, 1.5}; });
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].kind, FindingKind::cam_step);
  EXPECT_EQ(found[0].severity, Severity::warning);
  EXPECT_EQ(found[0].channel, "exhaust");
  const auto over = run(watch, 120, [](double) { return std::vector{0.0, 0.0}; });
  ASSERT_EQ(over.size(), 1U);
  EXPECT_EQ(over[0].phase, FindingPhase::close);
  EXPECT_EQ(over[0].id, found[0].id);
}

TEST_F(CamChangeWatchTest, warming_up_is_no_drift_and_the_level_is_that_of_the_warm_engine) {
  engine_.limits.warm_up_s = 900;
  CamChangeWatch watch(engine_, next_id_);
  const auto warming = [](double t_s) {
    const double by = 2 * (1 - std::exp(-t_s / 200));
    return std::vector{by, by};
  };
  EXPECT_TRUE(run(watch, 3600, warming).empty());
  const auto found = run(watch, 120, [](double) { return std::vector{0.5, 2.0}; });
  ASSERT_EQ(found.size(), 1U);
  EXPECT_NEAR(found[0].values[0].second, 2, 0.2) << "from where it stood warm";
}

// Five minutes after a cold start warmth still moves both by 0.13 degrees a minute.
TEST_F(CamChangeWatchTest, what_moves_at_once_while_the_engine_warms_up_is_a_step) {
  for (const double step_deg : {2.0, -1.5}) {
    engine_.limits.warm_up_s = 900;
    CamChangeWatch watch(engine_, next_id_);
    const double start_s = t_s_;
    const auto warming = [step_deg, start_s](double t_s) {
      const double by = 2 * (1 - std::exp((start_s - t_s) / 200));
      return std::vector{by + (t_s > start_s + 300 ? step_deg : 0), by};
    };
    const auto found = run(watch, 800, warming);
    ASSERT_EQ(found.size(), 1U) << step_deg;
    EXPECT_EQ(found[0].kind, FindingKind::cam_step);
    EXPECT_EQ(found[0].channel, "intake");
    EXPECT_NEAR(value_of(found[0], "change_deg"), step_deg, 0.4);
  }
}

TEST_F(CamChangeWatchTest, more_than_warmth_does_is_told_while_the_engine_warms_up_though_it_comes_little_by_little) {
  engine_.limits.warm_up_s = 900;
  CamChangeWatch watch(engine_, next_id_);
  const auto found = run(watch, 890, [](double t_s) { return std::vector{0.012 * t_s, 0.0}; });
  ASSERT_GE(found.size(), 1U);
  EXPECT_EQ(found[0].kind, FindingKind::cam_drift);
  EXPECT_EQ(found[0].channel, "intake");
  EXPECT_GE(value_of(found[0], "change_deg"), 3);
  EXPECT_LE(value_of(found[0], "change_deg"), 7);
}

TEST_F(CamChangeWatchTest, a_temperature_that_is_known_takes_the_place_of_the_time) {
  engine_.limits.warm_up_s = 7200;
  conditions_.engine_temperature_c = 85;
  CamChangeWatch watch(engine_, next_id_);
  run(watch, 120, [](double) { return std::vector{0.0, 0.0}; });
  EXPECT_EQ(run(watch, 120, [](double) { return std::vector{1.5, 0.0}; }).size(), 1U);
}

TEST_F(CamChangeWatchTest, a_phaser_that_moves_within_its_travel_is_no_change_but_beyond_its_stop_it_is) {
  engine_.cams[0].phaser_min_deg = -40;
  CamChangeWatch watch(engine_, next_id_);
  run(watch, 120, [](double) { return std::vector{0.0, 0.0}; });
  EXPECT_TRUE(run(watch, 300, [](double) { return std::vector{-1.3, 0.0}; }).empty()) << "may be wanted";
  EXPECT_TRUE(run(watch, 300, [](double t_s) { return std::vector{-20 + 15 * std::sin(t_s), 0.0}; }).empty());
  const auto found = run(watch, 300, [](double) { return std::vector{1.5, 0.0}; });
  ASSERT_EQ(found.size(), 1U) << "later than its stop: no phaser does that";
  EXPECT_EQ(found[0].channel, "intake");
}

TEST_F(CamChangeWatchTest, with_a_target_at_park_a_phaser_is_judged_to_both_sides) {
  engine_.cams[0].phaser_min_deg = -40;
  conditions_.target_deg = {0.0, std::nullopt};
  CamChangeWatch watch(engine_, next_id_);
  run(watch, 120, [](double) { return std::vector{0.0, 0.0}; });
  EXPECT_EQ(run(watch, 300, [](double) { return std::vector{-1.6, 0.0}; }).size(), 1U);
}

TEST_F(CamChangeWatchTest, two_cams_that_move_together_and_come_apart_are_told) {
  engine_.cams[0].phaser_min_deg = -40;
  engine_.cams[1].phaser_min_deg = -40;
  engine_.cams[0].moves_with = "exhaust";
  CamChangeWatch watch(engine_, next_id_);
  const auto moving = [](double t_s, double apart) {
    const double at = -20 + 10 * std::sin(t_s / 10);
    return std::vector{at + apart, at};
  };
  EXPECT_TRUE(run(watch, 300, [&](double t_s) { return moving(t_s, 0.3); }).empty());
  const auto found = run(watch, 300, [&](double t_s) { return moving(t_s, 4); });
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].reason, attribute(FindingKind::cam_drift, Circumstance::pair_apart).reason);
}

}  // namespace
}  // namespace cw
