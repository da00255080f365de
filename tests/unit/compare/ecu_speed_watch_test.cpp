#include "compare/ecu_speed_watch.hpp"

#include <cmath>

#include <gtest/gtest.h>

#include "tests/unit/compare/ecu_trial.hpp"

namespace cw::test {
namespace {

struct Trial {
  Engine engine;
  std::uint64_t next_id = 1;
  EcuSpeedWatch watch{engine, next_id};
  WitnessPast past;
  std::vector<Finding> out;

  Trial() {
    engine.crank.positions = 60;
    engine.crank.period_deg = 360;
  }

  // `rpm` of the time in ms; the ECU says `said_rpm` of it, each 10 ms.
  void play(std::int64_t from_ms, std::int64_t to_ms, const std::function<double(std::int64_t)>& rpm,
            const std::function<double(std::int64_t)>& said_rpm) {
    for (std::int64_t t = from_ms; t < to_ms; t += 10) {
      past.note(witness(t, LockState::cycle_locked, rpm(t)));
      watch.take(said(t, said_rpm(t)), false);
      if (t % 40 == 0) {
        watch.note_cycle(t * ms, rpm(t));
      }
      if (t % 100 == 0) {
        watch.tick(t * ms, past, out);
      }
    }
  }
};

TEST(EcuSpeed, that_agrees_is_not_told) {
  Trial trial;
  trial.play(
      0, 10'000, [](auto) { return 3000.0; }, [](auto) { return 3010.0; });
  EXPECT_TRUE(trial.out.empty());
  EXPECT_TRUE(trial.watch.take_compared());
}

// 5,000 rpm/s is a fast sweep; the broadcast says what was so 150 ms ago: 750 rpm off, and nothing wrong with that.
TEST(EcuSpeed, that_lags_behind_a_fast_change_is_not_told) {
  Trial trial;
  const auto rpm = [](std::int64_t t) { return 1000 + 5000 * std::fabs(std::sin(static_cast<double>(t) / 1000.0)); };
  trial.play(0, 20'000, rpm, [&](std::int64_t t) { return rpm(std::max<std::int64_t>(t - 150, 0)); });
  EXPECT_TRUE(trial.out.empty());
}

TEST(EcuSpeed, that_differs_is_told_once_after_the_hold_time_and_closed_when_it_agrees_again) {
  Trial trial;
  trial.play(
      0, 3000, [](auto) { return 3000.0; }, [](auto) { return 2700.0; });
  ASSERT_EQ(trial.out.size(), 1U);
  const Finding opened = trial.out[0];
  EXPECT_EQ(opened.phase, FindingPhase::open);
  EXPECT_NEAR(*value_of(opened, "ratio"), 0.9, 1e-9);
  EXPECT_LT(opened.start_ns, 600 * ms);
  EXPECT_GE(opened.end_ns - opened.start_ns, 1000 * ms);
  trial.play(
      3000, 6000, [](auto) { return 3000.0; }, [](auto) { return 3000.0; });
  ASSERT_EQ(trial.out.size(), 2U);
  EXPECT_EQ(trial.out[1].phase, FindingPhase::close);
  EXPECT_EQ(trial.out[1].id, opened.id);
}

// At idle the speed swings with each firing by more than a wrong tooth count makes: that the span of the swing holds the
// value is no agreement, so what was told is not closed.
TEST(EcuSpeed, whose_ratio_hides_in_the_swing_of_an_idle_is_not_taken_for_agreement) {
  Trial trial;
  trial.play(
      0, 3000, [](auto) { return 4000.0; }, [](auto) { return 4000.0 * 60 / 58; });
  ASSERT_EQ(trial.out.size(), 1U);
  for (std::int64_t t = 3000; t < 9000; t += 10) {
    trial.past.note(witness(t, LockState::cycle_locked, 900 * (1 + 0.06 * std::sin(static_cast<double>(t) / 5.3))));
    trial.watch.take(said(t, 900.0 * 60 / 58 * (1 + 0.02 * std::sin(static_cast<double>(t) / 5.3))), false);
    if (t % 130 == 0) {
      trial.watch.note_cycle(t * ms, 900);
    }
    if (t % 100 == 0) {
      trial.watch.tick(t * ms, trial.past, trial.out);
    }
  }
  ASSERT_EQ(trial.out.size(), 2U);
  EXPECT_EQ(trial.out[1].phase, FindingPhase::open);
  EXPECT_EQ(value_of(trial.out[1], "counted_teeth"), 58);
}

TEST(EcuSpeed, that_is_off_for_less_than_the_hold_time_is_not_told) {
  Trial trial;
  for (int i = 0; i < 5; ++i) {
    trial.play(
        i * 2000, i * 2000 + 900, [](auto) { return 3000.0; }, [](auto) { return 2700.0; });
    trial.play(
        i * 2000 + 900, i * 2000 + 2000, [](auto) { return 3000.0; }, [](auto) { return 3000.0; });
  }
  EXPECT_TRUE(trial.out.empty());
}

// 60-2 counted as 58 teeth: 60/58 times the speed at any speed. Arithmetic.
TEST(EcuSpeed, with_the_same_ratio_at_two_speeds_betrays_the_tooth_count) {
  Trial trial;
  trial.play(
      0, 3000, [](auto) { return 1000.0; }, [](auto) { return 1000.0 * 60 / 58; });
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_FALSE(value_of(trial.out[0], "counted_teeth"));
  trial.play(
      3000, 6000, [](auto) { return 4000.0; }, [](auto) { return 4000.0 * 60 / 58; });
  ASSERT_EQ(trial.out.size(), 2U);
  EXPECT_EQ(trial.out[1].phase, FindingPhase::open);
  EXPECT_EQ(trial.out[1].id, trial.out[0].id);
  EXPECT_EQ(value_of(trial.out[1], "counted_teeth"), 58);
  EXPECT_NE(trial.out[1].reason.find("60 places of the wheel were counted as 58"), std::string::npos);
}

TEST(EcuSpeed, that_is_off_by_another_ratio_at_another_speed_betrays_no_tooth_count) {
  Trial trial;
  trial.play(
      0, 3000, [](auto) { return 1000.0; }, [](auto) { return 1100.0; });
  trial.play(
      3000, 6000, [](auto) { return 4000.0; }, [](auto) { return 4200.0; });
  ASSERT_EQ(trial.out.size(), 1U);
  EXPECT_FALSE(value_of(trial.out[0], "counted_teeth"));
}

TEST(EcuSpeed, is_not_compared_while_the_witness_does_not_hear_or_has_no_lock) {
  Trial trial;
  for (std::int64_t t = 0; t < 5000; t += 10) {
    trial.past.note(witness(t, t < 2500 ? LockState::searching : LockState::cycle_locked, 1000.0, t < 2500));
    trial.watch.take(said(t, 5000), false);
    trial.watch.tick(t * ms, trial.past, trial.out);
  }
  EXPECT_TRUE(trial.out.empty());
  EXPECT_FALSE(trial.watch.take_compared());
}

// Readings before and after a time without any say nothing of it.
TEST(EcuSpeed, that_was_off_before_and_after_a_pause_was_not_off_throughout_it) {
  Trial trial;
  const auto steady = [](auto) { return 3000.0; };
  trial.play(0, 2000, steady, steady);
  for (std::int64_t t = 2000; t < 6000; t += 10) {
    trial.past.note(witness(t, LockState::cycle_locked, 3000.0));
    if (t <= 2300 || t >= 5700) {  // 0.3 s on either side of the pause
      trial.watch.take(said(t, 2500), false);
    }
    if (t % 100 == 0) {
      trial.watch.tick(t * ms, trial.past, trial.out);
    }
  }
  trial.play(6000, 9000, steady, steady);
  EXPECT_TRUE(trial.out.empty());
}

// An ECU that finds sync again and again for moments, and says an old speed then, has no speed to be wrong.
TEST(EcuSpeed, of_moments_between_losses_of_sync_does_not_add_up) {
  Trial trial;
  for (std::int64_t t = 0; t < 6000; t += 10) {
    trial.past.note(witness(t, LockState::cycle_locked, 2400.0));
    trial.watch.take(said(t, 2100), t % 400 >= 40);
    if (t % 100 == 0) {
      trial.watch.tick(t * ms, trial.past, trial.out);
    }
  }
  EXPECT_TRUE(trial.out.empty());
}

// SAE J1939 EEC1 ends at 8,031.875 rpm: an engine at 10,000 is said as that.
TEST(EcuSpeed, that_is_the_greatest_that_can_be_said_stands_for_any_greater_one) {
  for (const double rpm : {10'000.0, 6000.0}) {
    Trial trial;
    for (std::int64_t t = 0; t < 4000; t += 10) {
      trial.past.note(witness(t, LockState::cycle_locked, rpm));
      EcuValue value = said(t, 8031.875);
      value.greatest = true;
      trial.watch.take(value, false);
      if (t % 100 == 0) {
        trial.watch.tick(t * ms, trial.past, trial.out);
      }
    }
    EXPECT_EQ(trial.out.size(), rpm < 8000 ? 1U : 0U);
  }
}

// An idle that shakes by 3 % either way hides a ratio of 5 % from single readings, but not from their average.
TEST(EcuSpeed, whose_average_lies_outside_of_all_that_a_steady_idle_does_is_told) {
  const auto idle = [](std::int64_t t) { return 930 * (1 + 0.03 * std::sin(static_cast<double>(t) / 5.3)); };
  for (const double ratio : {0.95, 1.0}) {
    Trial trial;
    for (std::int64_t t = 0; t < 6000; t += 10) {
      trial.past.note(witness(t, LockState::cycle_locked, idle(t)));
      trial.watch.take(said(t, 930 * ratio), false);
      if (t % 130 == 0) {
        trial.watch.note_cycle(t * ms, 930);
      }
      if (t % 100 == 0) {
        trial.watch.tick(t * ms, trial.past, trial.out);
      }
    }
    EXPECT_EQ(trial.out.size(), ratio < 1 ? 1U : 0U);
  }
}

// Ahead of an engine that speeds up, which no delay explains; one reading a second comes within the limit.
TEST(EcuSpeed, that_is_off_but_for_a_reading_a_second_within_the_limit_is_told) {
  Trial trial;
  const auto rpm = [](std::int64_t t) { return 1000 + static_cast<double>(t); };
  trial.play(0, 5000, rpm, [&](std::int64_t t) { return rpm(t + 50) * (t % 700 == 0 ? 1.015 : 1.04); });
  EXPECT_EQ(trial.out.size(), 1U);
}

TEST(CountedTeeth, are_found_where_the_ratio_is_that_of_whole_numbers) {
  EXPECT_EQ(counted_teeth(60, 60.0 / 58), 58);
  EXPECT_EQ(counted_teeth(36, 36.0 / 35), 35);
  EXPECT_EQ(counted_teeth(36, 0.6), 60);
  EXPECT_EQ(counted_teeth(60, 0.5), 120);  // a turn of the cam taken for one of the crank
  EXPECT_FALSE(counted_teeth(60, 1.0));
  EXPECT_FALSE(counted_teeth(60, 1.026));  // 58.48 teeth
  EXPECT_FALSE(counted_teeth(60, 0.0));
}

}  // namespace
}  // namespace cw::test
