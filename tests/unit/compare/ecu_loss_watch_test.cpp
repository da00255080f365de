#include "compare/ecu_loss_watch.hpp"

#include <string>

#include <gtest/gtest.h>

#include "tests/unit/compare/ecu_trial.hpp"

namespace cw::test {
namespace {

using enum LockState;

// A witness locked at 3,000 rpm and an ECU that says its state and its count each 10 ms, unless a test says otherwise.
struct Trial {
  Engine engine;
  std::uint64_t next_id = 1;
  EcuLossWatch watch{engine, next_id};
  EcuBroadcastWatch broadcast{engine, next_id, {"engine"}};
  WitnessPast past;
  std::vector<Finding> out;

  LockState ecu = cycle_locked;
  std::uint64_t count = 0;
  double volts = 13.8;
  double ecu_rpm = 3000;
  bool says = true;
  bool counts = true;
  bool says_state = true;
  std::int64_t period_ms = 10;
  LockState witness_state = cycle_locked;
  std::optional<double> rpm = 3000;
  bool heard = true;
  std::int64_t now_ms = 0;

  void until(std::int64_t to_ms) {
    for (; now_ms < to_ms; now_ms += 10) {
      past.note(witness(now_ms, witness_state, rpm, heard));
      if (says && now_ms % period_ms == 0) {
        say();
      }
      if (now_ms % 100 == 0) {
        broadcast.tick(now_ms * ms, Turning::turns, rpm, out);
        watch.tick(now_ms * ms, past, broadcast, out);
      }
    }
  }
  void say() {
    broadcast.take(0, now_ms * ms, rpm, out);
    watch.take_voltage(said(now_ms, volts));
    watch.take_speed(said(now_ms, ecu_rpm));
    if (says_state) {
      watch.take_state(said_state(now_ms, ecu), past, out);
    }
    if (counts) {
      watch.take_count(said_count(now_ms, count), past);
    }
  }
  // The ECU says that it has no sync, and then that it has it again; until `end_ms`.
  void lose(std::int64_t from_ms, std::int64_t to_ms, std::int64_t end_ms, std::optional<std::uint64_t> counted = {}) {
    until(from_ms);
    ecu = lost;
    count = counted.value_or(count);
    until(to_ms);
    ecu = cycle_locked;
    until(end_ms);
  }
  void note(FindingKind kind, std::int64_t at_ms, bool strict_lost = false) {
    watch.note(seen(kind, strict_lost), at_ms * ms);
  }
  // One at 4,990 ms, and four seconds in which the ECU may say something of it.
  void odd_edge(FindingKind kind, bool strict_lost) {
    until(5000);
    note(kind, 4990, strict_lost);
    until(9000);
  }
  std::vector<FindingKind> kinds() const {
    std::vector<FindingKind> all;
    for (const Finding& finding : out) {
      all.push_back(finding.kind);
    }
    return all;
  }
};
using Kinds = std::vector<FindingKind>;

TEST(EcuLoss, with_a_clean_signal_is_the_ecus_and_closed_when_it_is_back) {
  Trial trial;
  trial.lose(5000, 6000, 8000, 1);
  ASSERT_EQ(trial.kinds(),
            (Kinds{FindingKind::ecu_lost_sync_on_clean_signal, FindingKind::ecu_lost_sync_on_clean_signal}));
  EXPECT_EQ(trial.out[0].phase, FindingPhase::open);
  EXPECT_EQ(trial.out[0].attribution, Attribution::ecu);
  EXPECT_NE(trial.out[0].reason.find("clean at our tap"), std::string::npos);
  EXPECT_EQ(trial.out[0].start_ns, 5000 * ms);
  EXPECT_EQ(value_of(trial.out[0], "losses_counted"), 1);
  EXPECT_EQ(trial.out[1].phase, FindingPhase::close);
  EXPECT_NEAR(*value_of(trial.out[1], "out_of_sync_ms"), 1000, 20);
}

TEST(EcuLoss, that_is_over_when_it_is_decided_is_one_finding_with_its_length) {
  Trial trial;
  trial.lose(5000, 5100, 8000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync_on_clean_signal}));
  EXPECT_EQ(trial.out[0].phase, FindingPhase::single);
  EXPECT_NEAR(*value_of(trial.out[0], "out_of_sync_ms"), 100, 20);
}

TEST(EcuLoss, by_its_counter_alone_is_seen) {
  Trial trial;
  trial.says_state = false;
  trial.until(5000);
  trial.count = 3;
  trial.until(8000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync_on_clean_signal}));
  EXPECT_EQ(value_of(trial.out[0], "losses_counted"), 3);
}

TEST(EcuLoss, with_odd_edges_at_the_tap_is_the_signals_whichever_comes_first) {
  for (const bool witness_first : {true, false}) {
    Trial trial;
    trial.until(4980);
    if (witness_first) {
      trial.note(FindingKind::missed_edge, 4980, true);
    }
    trial.until(5000);
    trial.ecu = lost;
    trial.until(5300);
    if (!witness_first) {
      trial.note(FindingKind::missed_edge, 4980, true);  // told late: the witness decides some teeth, or a turn, later
    }
    trial.ecu = cycle_locked;
    trial.until(9000);
    ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync})) << witness_first;
    EXPECT_EQ(trial.out[0].attribution, Attribution::sensor_or_wiring);
    EXPECT_NE(trial.out[0].reason.find("missed-edge"), std::string::npos);
    EXPECT_EQ(value_of(trial.out[0], "after_odd_signal_ms"), 20);
  }
}

TEST(EcuLoss, long_after_an_odd_edge_is_not_blamed_on_it) {
  Trial trial;
  trial.until(4000);
  trial.note(FindingKind::extra_edge, 3900);
  trial.until(5000);
  trial.ecu = lost;
  trial.until(8000);
  EXPECT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync_on_clean_signal}));
}

TEST(EcuLoss, when_the_witness_lost_the_position_too_says_so) {
  Trial trial;
  trial.until(5000);
  trial.note(FindingKind::sync_lost, 4990);
  trial.witness_state = lost;
  trial.rpm.reset();
  trial.ecu = lost;
  trial.until(5200);
  trial.witness_state = cycle_locked;
  trial.rpm = 3000;
  trial.ecu = cycle_locked;
  trial.until(9000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync}));
  EXPECT_NE(trial.out[0].reason.find("so did the witness"), std::string::npos);
}

TEST(EcuLoss, with_only_cam_edges_odd_names_the_cam) {
  Trial trial;
  trial.until(5000);
  trial.ecu = lost;
  trial.until(5100);
  trial.note(FindingKind::cam_edge_missing, 4970);
  trial.until(8000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync}));
  EXPECT_EQ(trial.out[0].code, "P0341");
}

TEST(EcuLoss, as_the_engine_stops_is_no_fault) {
  Trial trial;
  trial.until(5000);
  trial.rpm = 300;
  trial.until(5500);
  trial.ecu = no_signal;
  trial.count = 1;  // an ECU that counts each stop
  trial.until(5800);
  trial.rpm.reset();
  trial.witness_state = no_signal;
  trial.until(6500);
  trial.note(FindingKind::engine_stopped, 5700);
  trial.until(12'000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_sync_changed}));
  EXPECT_EQ(trial.out[0].severity, Severity::info);
}

// A start: the strict ECU loses sync in a compression dip, has it again, and the engine runs. That is decided without
// waiting whether the engine stops, so a fault two seconds later is a loss of its own.
TEST(EcuLoss, at_a_start_is_told_apart_from_one_soon_after_it) {
  Trial trial;
  trial.rpm = 300;
  trial.until(5000);
  trial.ecu = lost;
  trial.count = 1;
  trial.until(5200);
  trial.ecu = cycle_locked;
  trial.rpm = 1000;
  trial.until(7480);
  trial.note(FindingKind::missed_edge, 7480, true);
  trial.lose(7500, 7600, 12'000, 2);
  EXPECT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync_on_clean_signal, FindingKind::ecu_lost_sync}));
}

TEST(EcuLoss, is_not_what_it_finds_at_a_start) {
  Trial trial;
  trial.ecu = no_signal;
  trial.witness_state = searching;
  trial.rpm.reset();
  trial.until(2000);
  trial.ecu = revolution_locked;
  trial.witness_state = cycle_locked;
  trial.rpm = 250;
  trial.until(2500);
  trial.ecu = cycle_locked;
  trial.until(6000);
  EXPECT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_sync_changed}));
}

TEST(EcuLoss, names_a_supply_that_fell_before_it) {
  Trial trial;
  trial.until(4700);
  trial.volts = 7.5;
  trial.until(5000);
  trial.ecu = lost;
  trial.until(5100);
  trial.volts = 13.8;
  trial.until(8000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync_on_clean_signal}));
  EXPECT_EQ(value_of(trial.out[0], "battery_least_v"), 7.5);
  EXPECT_NE(trial.out[0].reason.find("battery voltage"), std::string::npos);
}

TEST(EcuLoss, without_edges_at_the_tap_is_told_as_not_to_be_told_apart) {
  Trial trial;
  trial.heard = false;
  trial.witness_state = no_signal;
  trial.rpm.reset();
  trial.until(5000);
  trial.ecu = lost;
  trial.until(9000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync}));
  EXPECT_EQ(trial.out[0].attribution, Attribution::undecided);
}

TEST(EcuRestart, is_told_by_a_counter_back_at_0_with_the_state_lost) {
  Trial trial;
  trial.count = 37;
  trial.until(5000);
  trial.count = 0;
  trial.ecu = no_signal;
  trial.ecu_rpm = 0;
  trial.until(5600);
  trial.ecu = cycle_locked;
  trial.ecu_rpm = 3000;
  trial.until(9000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_restarted}));
  EXPECT_EQ(trial.out[0].severity, Severity::fault);
}

TEST(EcuRestart, is_told_by_a_pause_of_the_broadcast_and_a_state_that_begins_anew) {
  Trial trial;
  trial.counts = false;
  trial.until(5000);
  trial.says = false;
  trial.until(5400);
  trial.says = true;
  trial.ecu = searching;
  trial.until(5800);
  trial.ecu = cycle_locked;
  trial.until(9000);
  EXPECT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_restarted}));
}

TEST(EcuRestart, is_not_a_counter_that_runs_over_the_end_of_its_bits) {
  Trial trial;
  trial.count = 255;
  trial.lose(5000, 5200, 9000, 0);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync_on_clean_signal}));
  EXPECT_EQ(value_of(trial.out[0], "losses_counted"), 1);
}

TEST(EcuRestart, is_not_a_counter_that_somebody_cleared) {
  Trial trial;
  trial.count = 37;
  trial.until(5000);
  trial.count = 0;
  trial.until(9000);
  EXPECT_EQ(trial.kinds(), Kinds{});
}

TEST(CounterStep, tells_a_step_over_the_end_from_a_new_beginning) {
  const auto steps = [](std::uint64_t before, std::uint64_t after, std::uint32_t bits) {
    const CounterStep step = counter_step(before, after, bits);
    return step.change == CounterChange::back ? -1 : static_cast<int>(step.steps);
  };
  EXPECT_EQ(steps(7, 7, 8), 0);
  EXPECT_EQ(steps(7, 9, 8), 2);
  EXPECT_EQ(steps(255, 0, 8), 1);
  EXPECT_EQ(steps(250, 3, 8), 9);
  EXPECT_EQ(steps(37, 0, 8), -1);
  EXPECT_EQ(steps(200, 0, 8), -1);
  EXPECT_EQ(steps(3, 0, 2), 1);
  EXPECT_EQ(steps(65'535, 0, 16), 1);
  EXPECT_EQ(steps(4'294'967'295, 0, 32), 1);
  EXPECT_EQ(steps(255, 0, 64), -1);
}

TEST(EcuMissedFault, is_told_as_a_note_where_the_witness_held_on_too) {
  Trial trial;
  trial.odd_edge(FindingKind::missed_edge, true);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_missed_fault}));
  EXPECT_EQ(trial.out[0].severity, Severity::info);
  EXPECT_EQ(trial.out[0].start_ns, 4990 * ms);
}

TEST(EcuMissedFault, is_a_warning_where_the_witness_lost_the_position) {
  Trial trial;
  trial.until(5000);
  trial.note(FindingKind::noise_burst, 4985, true);
  trial.note(FindingKind::sync_lost, 4990);
  trial.witness_state = lost;
  trial.until(5200);
  trial.witness_state = cycle_locked;
  trial.until(9000);
  ASSERT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_missed_fault}));
  EXPECT_EQ(trial.out[0].severity, Severity::warning);
  EXPECT_EQ(value_of(trial.out[0], "odd_signals"), 2);
}

TEST(EcuMissedFault, is_not_told_of_an_ecu_that_says_its_state_too_seldom_or_not_at_all) {
  Trial seldom;
  seldom.counts = false;
  seldom.period_ms = 100;  // a turn takes 20 ms
  seldom.odd_edge(FindingKind::missed_edge, true);
  EXPECT_EQ(seldom.kinds(), Kinds{});
  Trial never;
  never.counts = never.says_state = false;
  never.odd_edge(FindingKind::missed_edge, true);
  EXPECT_EQ(never.kinds(), Kinds{});
}

TEST(EcuMissedFault, is_not_told_of_what_a_strict_counter_rides_through) {
  Trial trial;
  trial.odd_edge(FindingKind::extra_edge, false);
  EXPECT_EQ(trial.kinds(), Kinds{});
}

TEST(EcuLoss, and_what_it_missed_are_each_decided_within_the_bound) {
  Trial trial;
  trial.rpm = 120;  // a turn takes half a second
  trial.until(5000);
  trial.ecu = lost;
  trial.until(5000 + EcuLossWatch::decision_ns_max / ms + 101);
  EXPECT_EQ(trial.kinds(), (Kinds{FindingKind::ecu_lost_sync_on_clean_signal}));
}

}  // namespace
}  // namespace cw::test
