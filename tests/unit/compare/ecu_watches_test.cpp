// Broadcast, sync state, advance, cams and trigger offset of the ECU, one after another.
#include <cmath>
#include <string>

#include <gtest/gtest.h>

#include "compare/ecu_advance_watch.hpp"
#include "compare/ecu_broadcast_watch.hpp"
#include "compare/ecu_cam_watch.hpp"
#include "compare/ecu_offset_watch.hpp"
#include "compare/ecu_sync_watch.hpp"
#include "signals/signal_map.hpp"
#include "tests/unit/compare/ecu_trial.hpp"

namespace cw::test {
namespace {

using enum LockState;

TEST(HeldCondition, opens_and_closes_only_after_the_hold_time_and_keeps_open_between_the_limits) {
  using enum Judgement;
  HeldCondition held;
  EXPECT_EQ(held.take(beyond, 0, 100), HeldCondition::News::none);
  EXPECT_EQ(held.take(between, 50, 100), HeldCondition::News::none);  // begins anew
  EXPECT_EQ(held.take(beyond, 60, 100), HeldCondition::News::none);
  EXPECT_EQ(held.take(beyond, 160, 100), HeldCondition::News::opened);
  EXPECT_EQ(held.since_ns(), 60);
  EXPECT_EQ(held.take(between, 1000, 100), HeldCondition::News::none);
  EXPECT_EQ(held.take(within, 1100, 100), HeldCondition::News::none);
  held.suspend();
  EXPECT_EQ(held.take(within, 1250, 100), HeldCondition::News::none);
  EXPECT_EQ(held.take(within, 1350, 100), HeldCondition::News::closed);
  EXPECT_FALSE(held.open());
  EXPECT_EQ(judge(1.1, 1.0, 0.5), beyond);
  EXPECT_EQ(judge(0.6, 1.0, 0.5), between);
  EXPECT_EQ(judge(0.4, 1.0, 0.5), within);
}

// ---- broadcast

struct Broadcast {
  Engine engine;
  std::uint64_t next_id = 1;
  EcuBroadcastWatch watch{engine, next_id, {"engine", "health"}};
  std::vector<Finding> out;

  // Message 0 each `fast_ms`, message 1 each 100 ms; 0: not at all. The jitter is a third of a period.
  void play(std::int64_t from_ms, std::int64_t to_ms, std::int64_t fast_ms, bool slow,
            Turning turning = Turning::turns) {
    for (std::int64_t t = from_ms; t < to_ms; ++t) {
      if (fast_ms > 0 && t % fast_ms == 0) {
        watch.take(0, t * ms + (t * 7919 % 10) * fast_ms * ms / 30, 3000, out);
      }
      if (slow && t % 100 == 5) {
        watch.take(1, t * ms + ms / 2, 3000, out);
      }
      if (t % 100 == 99) {
        watch.tick(t * ms + 999'999, turning, 3000, out);
      }
    }
  }
};

TEST(EcuBroadcast, that_comes_with_jitter_is_not_told) {
  Broadcast trial;
  trial.play(0, 20'000, 20, true);
  EXPECT_TRUE(trial.out.empty());
  EXPECT_NEAR(static_cast<double>(*trial.watch.period_ns()) / ms, 20, 3);
}

TEST(EcuBroadcast, that_stops_is_told_with_its_code_and_closed_when_it_is_back) {
  Broadcast trial;
  trial.play(0, 10'000, 20, true);
  trial.play(10'000, 13'000, 0, false);
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_EQ(trial.out[0].code, "U0100");
  EXPECT_EQ(trial.out[0].severity, Severity::warning);
  trial.play(13'000, 14'000, 20, true);
  ASSERT_EQ(trial.out.size(), 2U);
  EXPECT_EQ(trial.out[1].phase, FindingPhase::close);
}

TEST(EcuBroadcast, that_stops_with_the_engine_is_a_note) {
  Broadcast trial;
  trial.play(0, 10'000, 20, true);
  trial.play(10'000, 13'000, 0, false, Turning::stands);
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_EQ(trial.out[0].severity, Severity::info);
}

// The slow message comes last after such a silence: it has its time anew.
TEST(EcuBroadcast, that_was_all_silent_is_not_told_once_more_of_its_slow_message) {
  Broadcast trial;
  trial.play(0, 10'000, 20, true);
  trial.play(10'000, 13'000, 0, false);
  trial.play(13'000, 13'300, 20, false);
  trial.play(13'300, 16'000, 20, true);
  EXPECT_EQ(trial.out.size(), 2U);  // silent, and no longer
}

TEST(EcuBroadcast, of_which_one_message_stops_names_it) {
  Broadcast trial;
  trial.play(0, 10'000, 20, true);
  trial.play(10'000, 13'000, 20, false);
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_NE(trial.out[0].reason.find("\"health\""), std::string::npos);
  EXPECT_TRUE(trial.out[0].code.empty());
}

TEST(EcuBroadcast, that_comes_a_third_as_often_is_late) {
  Broadcast trial;
  trial.play(0, 10'000, 20, true);
  trial.play(10'000, 18'000, 60, true);
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_NE(trial.out[0].reason.find("half as often"), std::string::npos);
  trial.play(18'000, 24'000, 20, true);
  ASSERT_EQ(trial.out.size(), 2U);
  EXPECT_EQ(trial.out[1].phase, FindingPhase::close);
}

TEST(EcuBroadcast, that_never_came_regularly_is_not_missed) {
  Broadcast trial;
  std::int64_t t = 0;
  for (int i = 0; i < 100; ++i) {
    t += i % 3 == 0 ? 5 : i % 3 == 1 ? 300 : 40;
    trial.watch.take(0, t * ms, 3000, trial.out);
  }
  trial.watch.tick((t + 20'000) * ms, Turning::turns, 3000, trial.out);
  EXPECT_TRUE(trial.out.empty());
}

// ---- sync state

struct SyncTrial {
  Engine engine;
  std::uint64_t next_id = 1;
  EcuSyncWatch watch{engine, next_id};
  WitnessPast past;
  std::vector<Finding> out;

  double rpm = 3000;
  bool says_state = true;

  void play(std::int64_t from_ms, std::int64_t to_ms, LockState ecu, LockState ours, bool outage = false,
            bool heard = true) {
    for (std::int64_t t = from_ms; t < to_ms; t += 100) {
      past.note(witness(t, ours, is_lock(ours) ? std::optional(rpm) : std::nullopt, heard));
      const auto state = says_state ? std::optional(said_state(t, ecu)) : std::nullopt;
      watch.tick(t * ms, state, said(t, rpm), outage, past, out);
    }
  }
};

TEST(EcuSync, that_is_missing_for_long_is_told_and_closed) {
  SyncTrial trial;
  trial.play(0, 1000, searching, cycle_locked);
  EXPECT_TRUE(trial.out.empty());  // it may be about to find it
  trial.play(1000, 4000, searching, cycle_locked);
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_EQ(trial.out[0].attribution, Attribution::ecu);
  trial.play(4000, 5000, revolution_locked, cycle_locked);
  ASSERT_EQ(trial.out.size(), 2U);
  EXPECT_EQ(trial.out[1].phase, FindingPhase::close);
}

TEST(EcuSync, that_is_told_as_lost_is_not_told_again) {
  SyncTrial trial;
  trial.play(0, 10'000, lost, cycle_locked, true);
  EXPECT_TRUE(trial.out.empty());
}

TEST(EcuSync, that_only_the_ecu_has_is_undecided_and_without_edges_the_taps) {
  SyncTrial trial;
  trial.play(0, 10'000, cycle_locked, searching);
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_EQ(trial.out[0].attribution, Attribution::undecided);
  SyncTrial silent;
  silent.play(0, 10'000, cycle_locked, no_signal);
  ASSERT_EQ(silent.out.size(), 1U);
  EXPECT_EQ(silent.out[0].attribution, Attribution::capture_link);
}

// An ECU takes the first gap it sees, cranking; the witness needs some turns that tell more, and gets them when the engine
// has started. What it searched before counts for nothing then.
TEST(EcuSync, that_only_the_ecu_has_from_the_cranking_on_is_not_told_before_the_witness_has_had_its_turns_at_speed) {
  SyncTrial trial;
  trial.rpm = 220;
  trial.play(0, 8000, cycle_locked, searching);
  trial.rpm = 900;
  trial.play(8000, 10'000, cycle_locked, searching);
  EXPECT_TRUE(trial.out.empty());
  trial.play(10'000, 12'000, cycle_locked, searching);
  EXPECT_EQ(trial.out.size(), 1U);
}

// J1939 EEC1 has a speed and no state. Some ECUs hold the last speed for up to a second when the teeth stop (common
// practice, no source), so twice the hold time is waited.
TEST(EcuSync, of_an_ecu_that_says_a_speed_alone_is_enough_to_tell_that_the_tap_is_dead) {
  SyncTrial trial;
  trial.says_state = false;
  trial.play(0, 2000, cycle_locked, no_signal);
  EXPECT_TRUE(trial.out.empty());
  trial.play(2000, 3000, cycle_locked, no_signal);
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_EQ(trial.out[0].attribution, Attribution::capture_link);
  EXPECT_NE(trial.out[0].reason.find("says its speed"), std::string::npos);
  EXPECT_TRUE(trial.watch.turns_alone());
  trial.play(3000, 4000, cycle_locked, cycle_locked);
  EXPECT_FALSE(trial.watch.turns_alone());
}

TEST(EcuSync, is_not_compared_where_the_tap_is_not_heard_and_grades_of_lock_are_no_disagreement) {
  SyncTrial trial;
  trial.play(0, 10'000, cycle_locked, no_signal, false, false);
  trial.play(10'000, 20'000, revolution_locked, cycle_locked);
  trial.play(20'000, 30'000, cycle_locked, revolution_locked);
  EXPECT_TRUE(trial.out.empty());
}

// ---- advance

struct AdvanceTrial {
  Engine engine;
  std::uint64_t next_id = 1;
  AdvancePairing pairing{engine};
  EcuAdvanceWatch watch{engine, next_id};
  std::vector<Finding> out;
  int pairs = 0;

  AdvanceTrial() { engine.reference = Reference{}; }

  // The ECU says `advance` each 10 ms; a spark each 40 ms stands `late_deg` later than it says.
  void play(std::int64_t from_ms, std::int64_t to_ms, const std::function<double(std::int64_t)>& advance,
            double late_deg, bool cut = false) {
    for (std::int64_t t = from_ms; t < to_ms; t += 10) {
      if (cut) {
        pairing.note_cut(t * ms);
      }
      if (t % 40 == 0) {
        ReferenceEvent pulse;
        pulse.state = cycle_locked;
        pulse.rpm = 3000;
        const double at = late_deg - advance(t);
        pulse.angle_deg = at < 0 ? at + 720 : at;
        pairing.note_pulse(pulse, t * ms);
      }
      pairing.note_advance(t * ms + 5 * ms, advance(std::max<std::int64_t>(t - 60, from_ms)));
      if (t % 100 == 0) {
        while (const auto pair = pairing.next(t * ms)) {
          ++pairs;
          watch.take(*pair, out);
        }
      }
    }
  }
};

TEST(EcuAdvance, that_agrees_is_not_told_and_four_degrees_late_is) {
  AdvanceTrial sound;
  sound.play(
      0, 5000, [](auto) { return 20.0; }, 0.5);
  EXPECT_TRUE(sound.out.empty());
  EXPECT_GT(sound.pairs, 100);
  AdvanceTrial late;
  late.play(
      0, 5000, [](auto) { return 20.0; }, 4);
  ASSERT_EQ(late.out.size(), 1U);
  EXPECT_NEAR(*value_of(late.out[0], "deviation_deg"), 4, 0.01);
  EXPECT_NEAR(*value_of(late.out[0], "spark_advance_deg"), 16, 0.01);
}

TEST(EcuAdvance, is_not_compared_while_it_changes_fast_nor_in_cuts) {
  AdvanceTrial sweep;
  sweep.play(
      0, 10'000, [](std::int64_t t) { return static_cast<double>(t % 2000) / 50; }, 3);
  EXPECT_TRUE(sweep.out.empty());
  AdvanceTrial cut;
  cut.play(
      0, 5000, [](auto) { return 20.0; }, 10, true);
  EXPECT_TRUE(cut.out.empty());
  EXPECT_EQ(cut.pairs, 0);
}

TEST(EcuAdvance, that_was_said_too_long_ago_is_not_compared) {
  AdvanceTrial trial;
  trial.play(
      0, 1000, [](auto) { return 20.0; }, 0);
  const int before = trial.pairs;
  ReferenceEvent pulse;
  pulse.state = cycle_locked;
  for (std::int64_t t = 2000; t < 6000; t += 40) {
    trial.pairing.note_pulse(pulse, t * ms);
    while (trial.pairing.next(t * ms)) {
      ++trial.pairs;
    }
  }
  EXPECT_LE(trial.pairs - before, 10);  // of the first second, whose advance was still young
}

// ---- cams

struct CamTrial {
  Engine engine;
  std::uint64_t next_id = 1;
  SignalDefinition angle;
  SignalDefinition target;
  std::vector<Finding> out;

  CamTrial() {
    engine.cams.resize(1);
    engine.cams[0].name = "intake";
    angle.name = SignalName::cam_angle;
    angle.cam = "intake";
    target.name = SignalName::cam_target;
    target.cam = "intake";
  }
  double rpm = 3000;
  double told_late_ms = 80;     // after its edges a phase is known
  std::int64_t pause_from = 0;  // the ECU does not know the angle
  std::int64_t pause_to = 0;
  std::function<bool(std::int64_t)> is_off = [](auto) { return true; };

  void play(std::int64_t to_ms, const std::function<double(std::int64_t)>& phase, double ecu_off,
            const std::function<double(std::int64_t)>& wanted) {
    EcuValues values(engine);
    EcuCamWatch watch(engine, next_id);
    WitnessPast past;
    const auto cycle_ms = static_cast<std::int64_t>(120'000 / rpm);
    for (std::int64_t t = 0; t < to_ms; ++t) {
      if (t % cycle_ms == 0) {
        const auto edge_ms = static_cast<std::int64_t>(static_cast<double>(t) - told_late_ms);
        watch.note_phase(0, edge_ms * ms, phase(std::max<std::int64_t>(edge_ms, 0)));
      }
      if (t % 100 != 0) {
        continue;
      }
      past.note(witness(t, cycle_locked, rpm));
      SignalReading reading;
      reading.signal = &angle;
      reading.value = phase(t) + (is_off(t) ? ecu_off : 0);
      reading.unknown = t >= pause_from && t < pause_to ? Unknown::not_available : Unknown::none;
      values.set(reading, t * ms);
      reading.unknown = Unknown::none;
      reading.signal = &target;
      reading.value = wanted(t);
      values.set(reading, t * ms);
      watch.tick(t * ms, values, past, out);
    }
  }
};

TEST(EcuCam, that_agrees_within_the_limit_is_not_told_also_while_it_moves) {
  CamTrial trial;
  const auto moving = [](std::int64_t t) { return -20 + 20 * std::cos(static_cast<double>(t) / 500); };
  trial.play(10'000, moving, 2, moving);
  EXPECT_TRUE(trial.out.empty());
}

TEST(EcuCam, that_the_ecu_sees_elsewhere_is_told) {
  CamTrial trial;
  trial.play(
      5000, [](auto) { return -20.0; }, 8, [](auto) { return -20.0; });
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_EQ(trial.out[0].kind, FindingKind::ecu_cam_disagrees);
  EXPECT_EQ(trial.out[0].channel, "intake");
  EXPECT_NEAR(*value_of(trial.out[0], "deviation_deg"), -8, 1e-9);
}

// Below 1,200 rpm the witness waits for the next gap, so a phase is known two cycles late; a hydraulic phaser moves by some
// 100 degrees a second (from memory). The ECU says its own at once.
TEST(EcuCam, that_moves_fast_at_idle_is_held_against_the_phases_of_that_time) {
  CamTrial trial;
  trial.rpm = 650;
  trial.told_late_ms = 370;
  const auto moving = [](std::int64_t t) {
    const double share = std::fmod(static_cast<double>(t) / 3000, 2);
    return -40 * std::min(share < 1 ? share * 4 : (2 - share) * 4, 1.0);
  };
  trial.play(20'000, moving, 0, moving);
  EXPECT_TRUE(trial.out.empty());
}

TEST(EcuCam, that_was_off_before_and_after_a_time_in_which_the_ecu_did_not_know_it_was_not_off_all_that_time) {
  CamTrial trial;
  trial.pause_from = 1900;
  trial.pause_to = 6100;
  trial.is_off = [](std::int64_t t) { return t > 1100 && t < 6900; };
  trial.play(
      10'000, [](auto) { return -20.0; }, 8, [](auto) { return -20.0; });
  EXPECT_TRUE(trial.out.empty());
}

// Two teeth a turn, 180 degrees apart: the speed of a single shakes by more between them than an ECU can know.
TEST(EcuCam, between_teeth_far_apart_may_be_seen_elsewhere_by_an_ecu_that_has_only_the_speed_before) {
  CamTrial trial;
  trial.engine.crank.teeth = {{0.0, 1}, {180.0, 2}};
  trial.engine.crank.positions = 2;
  trial.engine.crank.period_deg = 360;
  trial.engine.cams[0].edges = {{100.0, ActiveEdge::falling}};
  trial.rpm = 800;
  trial.play(
      5000, [](auto) { return 0.0; }, 8, [](auto) { return 0.0; });
  EXPECT_TRUE(trial.out.empty());
  trial.play(
      5000, [](auto) { return 0.0; }, 40, [](auto) { return 0.0; });
  EXPECT_EQ(trial.out.size(), 1U);
}

TEST(BlindStep, is_the_longest_that_an_edge_may_stand_in_over_the_travel_of_its_phaser) {
  Engine engine;
  engine.crank.period_deg = 360;
  engine.crank.positions = 36;
  for (int i = 0; i < 35; ++i) {
    engine.crank.teeth.push_back({i * 10.0, i + 1});  // the gap is from 340 to 360
  }
  engine.cams.resize(1);
  engine.cams[0].tolerance_deg = 2;
  engine.cams[0].edges = {{100.0, ActiveEdge::falling}};
  EXPECT_DOUBLE_EQ(blind_step_deg(engine, 0), 10);
  engine.cams[0].edges = {{345.0, ActiveEdge::falling}};
  EXPECT_DOUBLE_EQ(blind_step_deg(engine, 0), 20);
  engine.cams[0].edges = {{391.0, ActiveEdge::falling}};
  engine.cams[0].phaser_min_deg = -30;  // from 361 to 391, with the tolerance from 359
  EXPECT_DOUBLE_EQ(blind_step_deg(engine, 0), 20);
  engine.cams[0].phaser_min_deg = -20;
  EXPECT_DOUBLE_EQ(blind_step_deg(engine, 0), 10);
  EXPECT_NEAR(unseen_by_ecu_deg(10, 3000), 10 * 0.1 * 10 * 3.14159265 / 180, 1e-6);  // 2 * 150 / 3000 a radian
}

TEST(EcuCam, that_does_not_follow_a_target_that_stands_is_off_target) {
  CamTrial trial;
  trial.play(
      8000, [](auto) { return -5.0; }, 0, [](std::int64_t t) { return t < 2000 ? -5.0 : -30.0; });
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_EQ(trial.out[0].kind, FindingKind::cam_off_target);
  EXPECT_NEAR(*value_of(trial.out[0], "target_deg"), -30, 1e-9);
}

// ---- trigger offset

TEST(EcuOffset, that_changes_is_told_when_it_is_said_twice) {
  std::uint64_t next_id = 1;
  EcuOffsetWatch watch(next_id);
  std::vector<Finding> out;
  const auto say = [&](std::int64_t t, std::uint64_t tenths) {
    EcuValue value = said(t, static_cast<double>(tenths) / 10);
    value.bits = tenths;
    watch.take(value, 900, out);
  };
  say(0, 1140);
  say(10, 1140);
  say(20, 1170);
  say(30, 1140);  // a flipped bit
  EXPECT_TRUE(out.empty());
  say(40, 1170);
  say(50, 1170);
  say(60, 1170);
  ASSERT_EQ(out.size(), 1U);
  EXPECT_EQ(value_of(out[0], "before_deg"), 114);
  EXPECT_EQ(value_of(out[0], "after_deg"), 117);
}

// ---- values

TEST(EcuValues, are_known_only_while_they_are_young_and_the_ecu_knows_them) {
  Engine engine;
  EcuValues values(engine);
  SignalDefinition speed;
  SignalReading reading;
  reading.signal = &speed;
  reading.value = 900;
  values.set(reading, 1000);
  EXPECT_EQ(values.young(SignalName::engine_speed, 1500, 500)->value, 900);
  EXPECT_FALSE(values.young(SignalName::engine_speed, 1501, 500));
  reading.unknown = Unknown::not_available;
  values.set(reading, 1600);
  EXPECT_FALSE(values.young(SignalName::engine_speed, 1600, 500));
  EXPECT_FALSE(values.young(SignalName::cam_angle, 1600, 500, 3));  // there is no such cam
}

}  // namespace
}  // namespace cw::test
