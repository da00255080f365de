#include "compare/cam_watch.hpp"

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/engine_times.hpp"

namespace cw {
namespace {

constexpr double rpm = 1000;
constexpr double ns_per_deg = 1e9 / (6 * rpm);

std::optional<double> value(const Finding& finding, const std::string& name) {
  for (const auto& [key, number] : finding.values) {
    if (key == name) {
      return number;
    }
  }
  return std::nullopt;
}

std::vector<Finding> of_kind(const std::vector<Finding>& all, FindingKind kind) {
  std::vector<Finding> found;
  std::copy_if(all.begin(), all.end(), std::back_inserter(found), [kind](const Finding& f) { return f.kind == kind; });
  return found;
}

// Cam cycles as sync/ would report them at 1,000 rpm: crank angle 0 at time 0, cycle n covers [720 n, 720 (n + 1)).
class CamWatchTest : public testing::Test {
 protected:
  CamWatchTest() : engine_(test::two_cam_engine()), watch_(std::make_unique<CamWatch>(engine_, next_id_)) {}

  void use(const Engine& engine) {
    engine_ = engine;
    watch_ = std::make_unique<CamWatch>(engine_, next_id_);
  }

  CamCycleEvent cycle(std::size_t cam, double phase_deg) const {
    CamCycleEvent event;
    event.cam = cam;
    event.cycle = cycle_;
    const double from_deg = 720.0 * static_cast<double>(cycle_);
    event.span = {from_deg, from_deg + 720};
    event.match.shift_deg = phase_deg;
    event.match.matched = static_cast<int>(engine_.cams[cam].edges.size());
    event.first_edge_ns = ns(from_deg + engine_.cams[cam].edges.front().angle_deg + phase_deg);
    event.last_edge_ns = ns(from_deg + engine_.cams[cam].edges.back().angle_deg + phase_deg);
    event.now_deg = from_deg + 720 + 60;
    event.now_ns = ns(event.now_deg);
    event.rpm = rpm;
    return event;
  }
  CamCycleEvent silent(std::size_t cam) const {
    CamCycleEvent event = cycle(cam, 0);
    event.match = {};
    for (const CamEdge& edge : engine_.cams[cam].edges) {
      event.match.missing_deg.push_back(event.span.from_deg + edge.angle_deg);
    }
    event.first_edge_ns = 0;
    event.last_edge_ns = 0;
    return event;
  }
  static std::int64_t ns(double deg) { return std::llround(deg * ns_per_deg); }

  void take(const std::vector<CamCycleEvent>& events) {
    for (const CamCycleEvent& event : events) {
      watch_->take(event, out_);
    }
    ++cycle_;
  }
  // All cams at the given phases for `count` cycles.
  void run(const std::vector<double>& phases_deg, int count) {
    for (int i = 0; i < count; ++i) {
      std::vector<CamCycleEvent> events;
      for (std::size_t cam = 0; cam < phases_deg.size(); ++cam) {
        events.push_back(cycle(cam, phases_deg[cam]));
      }
      take(events);
    }
  }

  Engine engine_;
  std::uint64_t next_id_ = 1;
  std::unique_ptr<CamWatch> watch_;
  std::uint64_t cycle_ = 0;
  std::vector<Finding> out_;
};

TEST_F(CamWatchTest, says_nothing_of_cams_at_their_place) {
  run({0.3, -0.4}, 200);
  watch_->finish(out_);
  EXPECT_TRUE(out_.empty());
  EXPECT_TRUE(watch_->steady());
}

TEST_F(CamWatchTest, phases_are_known_after_a_cycle_and_forgotten_at_a_break) {
  EXPECT_EQ(watch_->phases(), (std::vector<std::optional<double>>{std::nullopt, std::nullopt}));
  run({1.5, -0.5}, 1);
  EXPECT_EQ(watch_->phases(), (std::vector<std::optional<double>>{1.5, -0.5}));
  watch_->break_off(out_);
  EXPECT_EQ(watch_->phases(), (std::vector<std::optional<double>>{std::nullopt, std::nullopt}));
}

TEST_F(CamWatchTest, a_step_is_told_once_in_teeth_of_the_gear_with_its_sign) {
  // 44 teeth: one is 720/44 = 16.36 crank degrees.
  for (const int teeth : {-2, -1, 1, 2}) {
    const Engine engine = test::two_cam_engine();
    use(engine);
    out_.clear();
    cycle_ = 0;
    run({0.2, 0}, 20);
    run({0.2 + teeth * 720.0 / 44, 0}, 20);
    watch_->finish(out_);
    const std::vector<Finding> steps = of_kind(out_, FindingKind::cam_step);
    ASSERT_EQ(steps.size(), 1U) << teeth;
    EXPECT_EQ(out_.size(), 1U) << teeth << ": the step explains what it leaves";
    const Finding& step = steps[0];
    EXPECT_EQ(step.channel, "intake");
    EXPECT_EQ(step.severity, Severity::fault);
    EXPECT_EQ(step.attribution, Attribution::cam_drive);
    EXPECT_NEAR(value(step, "gear_teeth_moved").value_or(0), teeth, 0.01);
    EXPECT_NEAR(value(step, "step_deg").value_or(0), teeth * 720.0 / 44, 0.01) << "positive = later";
    EXPECT_NEAR(value(step, "before_deg").value_or(99), 0.2, 0.01);
    // After the last edge of cycle 19 and not after the first of cycle 20.
    EXPECT_GE(step.start_ns, ns(720 * 19 + 602)) << teeth;
    EXPECT_LE(step.end_ns, ns(720 * 20 + 62 + 40)) << teeth;
    EXPECT_LE(step.start_ns, step.end_ns) << teeth;
    EXPECT_FALSE(watch_->steady());
    EXPECT_NE(step.next_checks.front().find("stop"), std::string::npos);
  }
}

TEST_F(CamWatchTest, a_part_of_a_tooth_of_one_cam_is_its_gear_or_key) {
  run({0, 0}, 20);
  run({8.0, 0}, 20);
  const std::vector<Finding> steps = of_kind(out_, FindingKind::cam_step);
  ASSERT_EQ(steps.size(), 1U);
  EXPECT_EQ(steps[0].reason, attribute(FindingKind::cam_step, Circumstance::part_tooth_one_cam).reason);
}

TEST_F(CamWatchTest, all_cams_alike_by_no_whole_teeth_is_the_crank_wheel_with_the_opposite_sign) {
  run({0.5, -0.5}, 20);
  run({0.5 - 6, -0.5 - 6}, 20);
  watch_->finish(out_);
  EXPECT_TRUE(of_kind(out_, FindingKind::cam_step).empty());
  const std::vector<Finding> steps = of_kind(out_, FindingKind::crank_wheel_step);
  ASSERT_EQ(steps.size(), 1U);
  EXPECT_EQ(steps[0].channel, "crank");
  EXPECT_EQ(steps[0].attribution, Attribution::wheel);
  // Cams that seem earlier by 6 degrees: the wheel's teeth come later by 6.
  EXPECT_NEAR(value(steps[0], "step_deg").value_or(0), 6, 0.01);
}

TEST_F(CamWatchTest, all_cams_alike_by_whole_teeth_is_undecided) {
  Engine engine = test::two_cam_engine();
  engine.cams[1].gear_teeth = 44;
  use(engine);
  run({0, 0}, 20);
  run({720.0 / 44, 720.0 / 44}, 20);
  watch_->finish(out_);
  const std::vector<Finding> steps = of_kind(out_, FindingKind::cam_step);
  ASSERT_EQ(steps.size(), 2U) << "one for each cam";
  for (const Finding& step : steps) {
    EXPECT_EQ(step.reason, attribute(FindingKind::cam_step, Circumstance::whole_teeth_all_cams).reason) << step.channel;
  }
}

TEST_F(CamWatchTest, the_only_cam_leaves_drive_and_wheel_undecided) {
  Engine engine = test::two_cam_engine();
  engine.cams.pop_back();
  use(engine);
  run({0}, 20);
  run({-720.0 / 44}, 20);
  const std::vector<Finding> steps = of_kind(out_, FindingKind::cam_step);
  ASSERT_EQ(steps.size(), 1U);
  EXPECT_EQ(steps[0].reason, attribute(FindingKind::cam_step, Circumstance::whole_teeth_only_cam).reason);
}

// Few teeth: while cranking, what speed does between them shifts the cam as it is read, every cycle alike.
TEST_F(CamWatchTest, readings_that_were_that_uncertain_before_are_no_step_when_they_become_sure) {
  const auto uncertain = [&](double phase_deg, double uncertainty_deg) {
    CamCycleEvent event = cycle(0, phase_deg);
    event.match.uncertainty_deg = uncertainty_deg;
    take({event});
  };
  for (int i = 0; i < 20; ++i) {
    uncertain(8, 9);
  }
  for (int i = 0; i < 20; ++i) {
    uncertain(0, 0.2);
  }
  watch_->finish(out_);
  EXPECT_TRUE(of_kind(out_, FindingKind::cam_step).empty());
}

TEST_F(CamWatchTest, a_slow_drift_is_no_step) {
  for (int i = 0; i < 60; ++i) {
    run({0.05 * i, 0}, 1);
  }
  EXPECT_TRUE(out_.empty());
}

TEST_F(CamWatchTest, one_cycle_out_of_place_is_no_step) {
  run({0, 0}, 20);
  run({16.4, 0}, 1);
  run({0, 0}, 20);
  EXPECT_TRUE(of_kind(out_, FindingKind::cam_step).empty());
}

TEST_F(CamWatchTest, a_phaser_within_its_travel_is_no_step_and_beyond_it_is) {
  Engine engine = test::two_cam_engine();
  engine.cams[0].phaser_min_deg = -40;
  use(engine);
  run({0, 0}, 20);
  run({-30, 0}, 20);
  EXPECT_TRUE(out_.empty());
  run({-30 + 3 * 720.0 / 44, 0}, 20);
  EXPECT_EQ(of_kind(out_, FindingKind::cam_step).size(), 1U);
}

TEST_F(CamWatchTest, a_dead_signal_is_told_once_from_its_last_edge_and_closed_when_it_returns) {
  run({0, 0}, 20);
  for (int i = 0; i < 30; ++i) {
    take({silent(0), cycle(1, 0)});
  }
  ASSERT_EQ(out_.size(), 1U) << "not also missing edges by the dozen";
  const Finding opened = out_[0];
  EXPECT_EQ(opened.kind, FindingKind::cam_signal_dead);
  EXPECT_EQ(opened.phase, FindingPhase::open);
  EXPECT_EQ(opened.channel, "intake");
  EXPECT_EQ(opened.start_ns, ns(720 * 19 + 602));
  EXPECT_FALSE(watch_->phases()[0]);
  EXPECT_TRUE(watch_->phases()[1]);
  run({0, 0}, 10);
  watch_->finish(out_);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[1].phase, FindingPhase::close);
  EXPECT_EQ(out_[1].id, opened.id);
}

TEST_F(CamWatchTest, one_missing_edge_is_told_once_with_its_angle_and_time) {
  run({0, 0}, 20);
  CamCycleEvent event = cycle(0, 0);
  event.match.matched = 3;
  event.match.missing_deg = {event.span.from_deg + 332};
  take({event, cycle(1, 0)});
  run({0, 0}, 20);
  watch_->finish(out_);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::cam_edge_missing);
  EXPECT_EQ(out_[0].channel, "intake");
  EXPECT_NEAR(out_[0].angle_deg.value_or(0), 332, 1e-6);
  EXPECT_NEAR(static_cast<double>(out_[0].start_ns - ns(720 * 20 + 332)), 0, 100) << "720 degrees are 120 ms";
  EXPECT_EQ(out_[0].cycle, std::optional<std::uint64_t>(20));
}

TEST_F(CamWatchTest, an_edge_too_many_is_told_with_its_own_time) {
  run({0, 0}, 20);
  CamCycleEvent event = cycle(0, 0);
  event.match.surplus = {{event.span.from_deg + 420, 123'456'789, ActiveEdge::falling, 0.01}};
  take({event, cycle(1, 0)});
  run({0, 0}, 20);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::cam_extra_edge);
  EXPECT_EQ(out_[0].start_ns, 123'456'789);
  EXPECT_NEAR(out_[0].angle_deg.value_or(0), 420, 1e-6);
}

TEST_F(CamWatchTest,
       an_edge_missed_and_one_too_many_beside_it_are_one_edge_on_a_slow_crank_and_two_faults_on_a_fast_one) {
  for (const double speed_rpm : {150.0, 1000.0}) {
    use(test::two_cam_engine());
    out_.clear();
    run({0, 0}, 6);
    CamCycleEvent odd = cycle(0, 0);
    odd.rpm = speed_rpm;
    const double expected_deg = odd.span.from_deg + engine_.cams[0].edges.front().angle_deg;
    odd.match.missing_deg.push_back(expected_deg);
    odd.match.surplus.push_back({expected_deg + 12, ns(expected_deg + 12), ActiveEdge::falling});
    --odd.match.matched;
    take({odd, cycle(1, 0)});
    run({0, 0}, 8);
    const std::size_t told = speed_rpm < engine_.limits.running_rpm ? 0 : 1;
    EXPECT_EQ(of_kind(out_, FindingKind::cam_edge_missing).size(), told) << speed_rpm;
    EXPECT_EQ(of_kind(out_, FindingKind::cam_extra_edge).size(), told) << speed_rpm;
  }
}

TEST_F(CamWatchTest, a_deviation_from_the_start_is_told_after_the_cycles_that_must_agree) {
  run({6.0, 0}, engine_.limits.hold_cycles - 1);
  EXPECT_TRUE(out_.empty());
  run({6.0, 0}, 20);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::cam_deviation);
  EXPECT_EQ(out_[0].phase, FindingPhase::open);
  EXPECT_EQ(out_[0].severity, Severity::warning);
  EXPECT_NEAR(value(out_[0], "phase_deg").value_or(0), 6, 1e-9);
  run({0.1, 0}, 20);
  ASSERT_EQ(of_kind(out_, FindingKind::cam_deviation).size(), 2U);
  EXPECT_EQ(of_kind(out_, FindingKind::cam_deviation)[1].phase, FindingPhase::close);
}

TEST_F(CamWatchTest, a_deviation_from_the_start_by_a_whole_tooth_says_so_and_says_stop_first) {
  run({720.0 / 44, 0}, 20);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::cam_deviation);
  EXPECT_EQ(out_[0].severity, Severity::fault);
  EXPECT_NEAR(value(out_[0], "gear_teeth_off").value_or(0), 1, 0.01);
  EXPECT_NE(out_[0].reason.find("whole number of teeth"), std::string::npos);
  EXPECT_EQ(out_[0].next_checks.front().substr(0, 4), "stop");
}

TEST_F(CamWatchTest, a_phased_cam_may_stand_anywhere_in_its_travel) {
  Engine engine = test::two_cam_engine();
  engine.cams[0].phaser_min_deg = -40;
  use(engine);
  for (const double phase_deg : {0.0, -10.0, -25.0, -40.0}) {
    run({phase_deg, 0}, 20);
  }
  EXPECT_TRUE(out_.empty());
  run({-55, 0}, 20);
  EXPECT_FALSE(out_.empty());
}

TEST_F(CamWatchTest, ids_count_up_over_all_findings) {
  run({6.0, 6.0}, 20);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_NE(out_[0].id, out_[1].id);
  EXPECT_EQ(next_id_, 3U);
}

}  // namespace
}  // namespace cw
