#include "compare/fault_watch.hpp"

#include <optional>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include <algorithm>

#include "compare/attribution.hpp"
#include "tests/unit/sync/engine_times.hpp"

namespace cw {
namespace {

constexpr std::int64_t ms = 1'000'000;

std::optional<double> value(const Finding& finding, const std::string& name) {
  for (const auto& [key, number] : finding.values) {
    if (key == name) {
      return number;
    }
  }
  return std::nullopt;
}

// At 1,000 rpm: 6 degrees a millisecond, a tooth of 60-2 each.
class FaultWatchTest : public testing::Test {
 protected:
  FaultWatchTest() : engine_(test::two_cam_engine()), watch_(engine_, next_id_) {}

  static ToothEvent odd(bool extra, std::int64_t t_ns, int tooth, std::optional<bool> strict = std::nullopt) {
    ToothEvent event;
    event.kind = extra ? ToothFault::extra : ToothFault::missed;
    event.t_ns = t_ns;
    event.tooth = tooth;
    event.angle_deg = 6.0 * tooth;
    event.rpm = 1000;
    event.cycle = 4;
    event.state = LockState::cycle_locked;
    event.strict_counter_lost = strict;
    return event;
  }
  void lock(LockState from, LockState to, std::int64_t t_ns, LossReason reason = LossReason::none) {
    LockEvent event{from, to, t_ns, reason, 123.0, 21, 1000.0};
    watch_.take(event, out_);
  }

  Engine engine_;
  std::uint64_t next_id_ = 1;
  FaultWatch watch_;
  std::vector<Finding> out_;
};

TEST_F(FaultWatchTest, one_extra_edge_is_a_finding_with_tooth_angle_and_time) {
  watch_.take(odd(true, 500 * ms, 17), out_);
  EXPECT_TRUE(out_.empty()) << "a train may follow";
  watch_.settle(501 * ms, out_);
  EXPECT_TRUE(out_.empty());
  watch_.settle(700 * ms, out_);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::extra_edge);
  EXPECT_EQ(out_[0].phase, FindingPhase::single);
  EXPECT_EQ(out_[0].tooth, std::optional<int>(17));
  EXPECT_EQ(out_[0].angle_deg, std::optional<double>(102));
  EXPECT_EQ(out_[0].start_ns, 500 * ms);
  EXPECT_EQ(out_[0].cycle, std::optional<std::uint64_t>(4));
  EXPECT_EQ(out_[0].channel, "crank");
  EXPECT_EQ(out_[0].code, "P0336");
}

TEST_F(FaultWatchTest, one_missed_edge_is_a_finding) {
  watch_.take(odd(false, 500 * ms, 17), out_);
  watch_.finish(out_);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::missed_edge);
  EXPECT_EQ(out_[0].code, "P0339");
}

TEST_F(FaultWatchTest, says_what_a_strict_counter_would_have_done) {
  watch_.take(odd(false, 500 * ms, 17, true), out_);
  watch_.take(odd(false, 5000 * ms, 18, false), out_);
  watch_.take(odd(false, 9000 * ms, 19), out_);
  watch_.finish(out_);
  ASSERT_EQ(out_.size(), 3U);
  EXPECT_EQ(value(out_[0], "strict_counter_lost"), std::optional<double>(1));
  EXPECT_NE(out_[0].reason.find("lost sync"), std::string::npos);
  EXPECT_EQ(value(out_[1], "strict_counter_lost"), std::optional<double>(0));
  EXPECT_NE(out_[1].reason.find("held"), std::string::npos);
  EXPECT_FALSE(value(out_[2], "strict_counter_lost"));
}

TEST_F(FaultWatchTest, two_extra_edges_near_each_other_are_two_findings) {
  watch_.take(odd(true, 500 * ms, 17), out_);
  watch_.take(odd(true, 502 * ms, 19), out_);
  watch_.finish(out_);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[0].kind, FindingKind::extra_edge);
  EXPECT_EQ(out_[1].kind, FindingKind::extra_edge);
  EXPECT_NE(out_[0].id, out_[1].id);
}

TEST_F(FaultWatchTest, many_extra_edges_close_together_are_one_burst) {
  for (int i = 0; i < 12; ++i) {
    watch_.take(odd(true, 500 * ms + i * ms / 2, 17 + i / 2), out_);
  }
  watch_.take(odd(false, 506 * ms, 23), out_);
  watch_.finish(out_);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::noise_burst);
  EXPECT_EQ(value(out_[0], "extra_edges"), std::optional<double>(12));
  EXPECT_EQ(value(out_[0], "missed_edges"), std::optional<double>(1));
  EXPECT_NEAR(value(out_[0], "length_ms").value_or(0), 6, 1e-9);
  EXPECT_EQ(out_[0].start_ns, 500 * ms);
  EXPECT_EQ(out_[0].end_ns, 506 * ms);
  EXPECT_EQ(out_[0].tooth, std::optional<int>(17));
}

TEST_F(FaultWatchTest, bursts_far_apart_are_told_apart) {
  for (int i = 0; i < 6; ++i) {
    watch_.take(odd(true, 500 * ms + i * ms, 17 + i), out_);
  }
  for (int i = 0; i < 6; ++i) {
    watch_.take(odd(true, 900 * ms + i * ms, 17 + i), out_);
  }
  watch_.finish(out_);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[1].start_ns, 900 * ms);
}

TEST_F(FaultWatchTest, many_missed_teeth_are_no_noise) {
  for (int i = 0; i < 6; ++i) {
    watch_.take(odd(false, 500 * ms + i * ms, 17 + i), out_);
  }
  watch_.finish(out_);
  for (const Finding& finding : out_) {
    EXPECT_EQ(finding.kind, FindingKind::missed_edge);
  }
  EXPECT_FALSE(out_.empty());
}

TEST_F(FaultWatchTest, several_missed_teeth_in_a_row_are_not_said_to_be_one) {
  for (int i = 0; i < 3; ++i) {
    watch_.take(odd(false, 500 * ms + i * ms, 17 + i), out_);
  }
  watch_.take(odd(false, 505 * ms, 22), out_);
  watch_.finish(out_);
  ASSERT_EQ(out_.size(), 4U);
  for (int i = 0; i < 3; ++i) {
    EXPECT_EQ(out_[static_cast<std::size_t>(i)].tooth.value_or(0), 17 + i);
    EXPECT_EQ(out_[static_cast<std::size_t>(i)].reason,
              attribute(FindingKind::missed_edge, Circumstance::teeth_in_a_row).reason);
  }
  EXPECT_EQ(out_[3].reason, attribute(FindingKind::missed_edge, Circumstance::one_edge).reason) << "it stands alone";
}

TEST_F(FaultWatchTest, a_jump_of_the_wheel_is_left_to_the_cams_where_there_are_any) {
  ToothEvent jump = odd(false, 500 * ms, 17);
  jump.kind = ToothFault::jump;
  jump.jump_deg = 5.5;
  watch_.take(jump, out_);
  watch_.finish(out_);
  EXPECT_TRUE(out_.empty());
  engine_.cams.clear();
  watch_.take(jump, out_);
  watch_.finish(out_);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::crank_wheel_step);
  EXPECT_EQ(value(out_[0], "step_deg"), std::optional<double>(5.5));
  EXPECT_EQ(out_[0].next_checks.front().substr(0, 4), "stop");
}

TEST_F(FaultWatchTest, an_endless_train_is_told_in_pieces) {
  for (int i = 0; i < 20'000; ++i) {
    watch_.take(odd(true, 500 * ms + i * ms / 10, 1 + i % 58), out_);
  }
  EXPECT_FALSE(out_.empty()) << "memory must not grow with the length of a fault";
}

TEST_F(FaultWatchTest, lost_and_regained_sync_share_an_id) {
  using enum LockState;
  lock(cycle_locked, lost, 1000 * ms, LossReason::ambiguous);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::sync_lost);
  EXPECT_EQ(out_[0].phase, FindingPhase::open);
  EXPECT_EQ(out_[0].severity, Severity::fault);
  EXPECT_EQ(out_[0].tooth, std::optional<int>(21));
  EXPECT_EQ(out_[0].angle_deg, std::optional<double>(123));
  lock(lost, revolution_locked, 1100 * ms);
  EXPECT_EQ(out_.size(), 1U) << "with cams in the file a turn is not yet the position";
  lock(revolution_locked, cycle_locked, 1250 * ms);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[1].kind, FindingKind::sync_regained);
  EXPECT_EQ(out_[1].phase, FindingPhase::close);
  EXPECT_EQ(out_[1].id, out_[0].id);
  EXPECT_EQ(out_[1].severity, Severity::info);
  EXPECT_NEAR(value(out_[1], "out_of_sync_ms").value_or(0), 250, 1e-9);
}

TEST_F(FaultWatchTest, without_a_cam_a_revolution_lock_is_sync_regained) {
  engine_.cams.clear();
  using enum LockState;
  lock(revolution_locked, lost, 1000 * ms, LossReason::nothing_fits);
  lock(lost, revolution_locked, 1100 * ms);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[1].kind, FindingKind::sync_regained);
}

TEST_F(FaultWatchTest, contradiction_and_ambiguity_are_told_apart) {
  using enum LockState;
  lock(cycle_locked, lost, 1000 * ms, LossReason::contradicted);
  lock(lost, cycle_locked, 1250 * ms);
  lock(cycle_locked, lost, 2000 * ms, LossReason::ambiguous);
  ASSERT_EQ(out_.size(), 3U);
  EXPECT_EQ(out_[0].attribution, Attribution::undecided);
  EXPECT_EQ(out_[2].attribution, Attribution::sensor_or_wiring);
  EXPECT_NE(out_[0].reason, out_[2].reason);
}

TEST_F(FaultWatchTest, a_first_lock_and_a_crank_that_nearly_stops_are_no_findings) {
  using enum LockState;
  lock(no_signal, searching, 0);
  lock(searching, revolution_locked, 100 * ms);
  lock(revolution_locked, cycle_locked, 300 * ms);
  lock(cycle_locked, searching, 900 * ms, LossReason::nearly_stopped);
  lock(searching, revolution_locked, 1300 * ms);
  lock(revolution_locked, cycle_locked, 1500 * ms);
  EXPECT_TRUE(out_.empty());
}

TEST_F(FaultWatchTest, odd_edges_before_a_loss_come_before_it_in_the_list) {
  watch_.take(odd(true, 998 * ms, 17), out_);
  lock(LockState::cycle_locked, LockState::lost, 1000 * ms, LossReason::ambiguous);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[0].kind, FindingKind::extra_edge);
  EXPECT_EQ(out_[1].kind, FindingKind::sync_lost);
}

TEST_F(FaultWatchTest, a_stopped_crank_signal_with_cams_going_on_is_the_sensor) {
  using enum LockState;
  watch_.take(SilenceEvent{SilenceKind::crank_signal_stopped, 1000 * ms, 1050 * ms, 1000, 3}, out_);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::crank_signal_stopped);
  EXPECT_EQ(out_[0].phase, FindingPhase::open);
  EXPECT_EQ(out_[0].attribution, Attribution::sensor_or_wiring);
  EXPECT_EQ(out_[0].start_ns, 1000 * ms);
  EXPECT_EQ(out_[0].code, "P0335");
  lock(lost, revolution_locked, 3000 * ms);
  lock(revolution_locked, cycle_locked, 3200 * ms);
  bool closed = false;
  for (const Finding& finding : out_) {
    closed = closed || (finding.kind == FindingKind::crank_signal_stopped && finding.id == out_[0].id &&
                        finding.phase == FindingPhase::close);
  }
  EXPECT_TRUE(closed);
}

TEST_F(FaultWatchTest, a_stopped_crank_signal_is_said_again_as_the_taps_once_when_the_ecu_goes_on) {
  watch_.ecu_turns_alone(out_);
  EXPECT_TRUE(out_.empty());  // nothing stopped
  watch_.take(SilenceEvent{SilenceKind::crank_signal_stopped, 1000 * ms, 1050 * ms, 1000, 3}, out_);
  watch_.ecu_turns_alone(out_);
  watch_.ecu_turns_alone(out_);
  ASSERT_EQ(out_.size(), 2U);
  EXPECT_EQ(out_[1].id, out_[0].id);
  EXPECT_EQ(out_[1].phase, FindingPhase::open);
  EXPECT_EQ(out_[1].attribution, Attribution::capture_link);
  EXPECT_EQ(out_[1].start_ns, 1000 * ms);
  EXPECT_TRUE(out_[1].code.empty());  // P0335 is the sensor's
  lock(LockState::lost, LockState::cycle_locked, 3000 * ms);
  const auto close = std::find_if(out_.begin(), out_.end(), [](const Finding& finding) {
    return finding.kind == FindingKind::crank_signal_stopped && finding.phase == FindingPhase::close;
  });
  ASSERT_NE(close, out_.end());
  EXPECT_EQ(close->attribution, Attribution::capture_link);
}

TEST_F(FaultWatchTest, everything_silent_at_speed_is_undecided) {
  watch_.take(SilenceEvent{SilenceKind::crank_signal_stopped, 1000 * ms, 1000 * ms, 1000, 0}, out_);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].attribution, Attribution::undecided);
}

TEST_F(FaultWatchTest, an_engine_that_stopped_is_information_only) {
  watch_.take(SilenceEvent{SilenceKind::engine_stopped, 1000 * ms, 1000 * ms, 0, 0}, out_);
  ASSERT_EQ(out_.size(), 1U);
  EXPECT_EQ(out_[0].kind, FindingKind::engine_stopped);
  EXPECT_EQ(out_[0].severity, Severity::info);
  EXPECT_EQ(out_[0].phase, FindingPhase::single);
  EXPECT_FALSE(out_[0].rpm) << "not known";
}

}  // namespace
}  // namespace cw
