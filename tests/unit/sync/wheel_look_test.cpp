#include "sync/wheel_look.hpp"

#include <cmath>
#include <cstdint>
#include <numbers>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::Dice;
using test::engine_with;
using test::NamedWheel;
using test::steady;
using test::wheel;

NamedWheel gaps(const std::string& name, int positions, const std::vector<WheelGap>& missing) {
  return {name, tooth_cycle(engine_with(pitched_teeth(positions, missing, 360), positions))};
}

// Wheels as they are met (common practice, no source), and how they are called.
std::vector<NamedWheel> common_wheels() {
  return {wheel(60, 2),
          wheel(60, 1),
          wheel(36, 1),
          wheel(36, 2),
          wheel(30, 1),
          wheel(24, 1),
          wheel(24, 2),
          wheel(12, 1),
          wheel(12, 2),
          wheel(12, 3),
          wheel(8, 1),
          gaps("36-2-2-2", 36, {{13, 2}, {16, 2}, {34, 2}}),
          gaps("60-2-1", 60, {{28, 1}, {58, 2}}),
          {"12 even teeth + 1", test::listed_wheel({0, 30, 60, 90, 120, 150, 180, 210, 240, 270, 300, 315, 330})},
          gaps("even teeth, no gap", 12, {}),
          gaps("even teeth, no gap", 36, {})};
}

// Even teeth can't be told from even teeth by the crank alone.
bool both_even(const NamedWheel& a, const NamedWheel& b) {
  return a.cycle.repeat_teeth == 1 && b.cycle.repeat_teeth == 1;
}
bool same(const NamedWheel& a, const NamedWheel& b) {
  return a.name == b.name && a.cycle.teeth.size() == b.cycle.teeth.size();
}

// `rpm` with `order` waves a turn of the given share of it.
auto rippling(double rpm, double share, double order, double phase) {
  return [=](double deg) {
    const double rad = deg * std::numbers::pi / 180;
    return 1e9 / (6 * rpm) *
           (deg - share * 180 / std::numbers::pi / order * (std::sin(order * rad + phase) - std::sin(phase)));
  };
}

// Times of teeth on a wheel with pitch errors (2.5 % of the pitch, at most 0.15 degrees) and 1 us of jitter.
template <typename NsAt>
std::vector<std::int64_t> rough_times(const NamedWheel& of, int first, std::size_t count, NsAt ns_at,
                                      std::uint64_t seed) {
  Dice dice(seed);
  const auto teeth = of.cycle.teeth.size();
  const double error_deg = std::min(0.15, 0.025 * of.cycle.mean_step_deg());
  std::vector<double> off_deg(teeth / 2);
  for (double& off : off_deg) {
    off = error_deg * std::clamp(dice.normal(), -2.5, 2.5);
  }
  std::vector<std::int64_t> t_ns;
  double deg = 10;
  for (std::size_t i = 0; i < count; ++i) {
    const std::size_t tooth = (static_cast<std::size_t>(first) + i) % teeth;
    t_ns.push_back(std::llround(ns_at(deg + off_deg[tooth % off_deg.size()]) + 1000 * dice.normal()));
    deg += of.cycle.teeth[tooth].step_deg;
  }
  return t_ns;
}

std::size_t whole_pattern(const NamedWheel& file) {
  return std::max<std::size_t>(40, static_cast<std::size_t>(file.cycle.repeat_teeth) + 2);
}

std::vector<std::int64_t> times_of(const std::vector<double>& step_us, int repeats) {
  std::vector<std::int64_t> t_ns = {0};
  for (int i = 0; i < repeats; ++i) {
    for (const double step : step_us) {
      t_ns.push_back(t_ns.back() + std::llround(1000 * step));
    }
  }
  return t_ns;
}

TEST(WheelLook, finds_the_repeat_and_the_steps_of_a_wheel_worked_by_hand) {
  // 6-2 at 2,000 rpm: a pitch of 60 degrees is 5 ms, and the gap of two missing teeth 15 ms.
  const auto look = look_at_wheel(times_of({5'000, 5'000, 5'000, 15'000}, 40), 40);
  ASSERT_TRUE(look);
  ASSERT_EQ(look->step_deg.size(), 4U);
  EXPECT_NEAR(look->step_deg[0], 60, 1e-6);
  EXPECT_NEAR(look->step_deg[3], 180, 1e-6);
  EXPECT_EQ(pitches_of(*look), (std::vector<int>{1, 1, 1, 3}));
  EXPECT_EQ(words_of(*look, pitches_of(*look)), "6-2");
}

TEST(WheelLook, says_what_a_description_is_called) {
  for (const NamedWheel& named : common_wheels()) {
    EXPECT_EQ(words_of(named.cycle), named.name);
  }
  EXPECT_EQ(words_of(test::listed_wheel({0, 70, 120, 200, 240, 310})),
            "a pattern that repeats every 6 edges, at 0, 40, 110, 160, 230, 280 of 360 degrees as time tells");
}

TEST(WheelLook, says_nothing_of_teeth_that_may_yet_show_a_gap) {
  const NamedWheel w60_2 = wheel(60, 2);
  EXPECT_FALSE(look_at_wheel(rough_times(w60_2, 0, 57, steady(800), 1), 40));
  EXPECT_TRUE(look_at_wheel(rough_times(wheel(36, 0), 0, 133, steady(800), 1), 40));
}

TEST(WheelLook, takes_no_window_with_a_missed_edge_for_a_pattern) {
  const std::vector<std::int64_t> whole = rough_times(wheel(36, 1), 0, 108, steady(800), 1);
  ASSERT_TRUE(look_at_wheel(whole, 40));
  for (std::size_t i = 1; i + 1 < whole.size(); ++i) {
    std::vector<std::int64_t> less = whole;
    less.erase(less.begin() + static_cast<std::ptrdiff_t>(i));
    const auto look = look_at_wheel(less, 40);
    EXPECT_TRUE(!look || fit(*look, wheel(36, 1).cycle) == WheelFit::fits) << "edge " << i;
  }
}

TEST(WheelLook, names_common_wheels_at_idle_from_any_tooth) {
  int looks = 0;
  int named_right = 0;
  for (const NamedWheel& named : common_wheels()) {
    for (int first = 0; first < 20; ++first) {
      const auto seed = static_cast<std::uint64_t>(first);
      const auto look = look_at_wheel(rough_times(named, first, 400, rippling(800, 0.06, 2, first), seed), 40);
      ASSERT_TRUE(look) << named.name;
      ++looks;
      named_right += words_of(*look, pitches_of(*look)) == named.name ? 1 : 0;
      EXPECT_TRUE(words_of(*look, pitches_of(*look)) == named.name ||
                  words_of(*look, pitches_of(*look)).starts_with("a pattern"))
          << words_of(*look, pitches_of(*look));
    }
  }
  EXPECT_GE(named_right, looks * 98 / 100) << "of " << looks;
}

TEST(WheelLook, never_gives_a_wheel_another_gap_name_at_published_cranking) {
  for (const NamedWheel& named : common_wheels()) {
    for (int i = 0; i < 12; ++i) {
      const auto t_ns =
          rough_times(named, 7 * i, 300, test::cranking(i * std::numbers::pi / 6), static_cast<std::uint64_t>(i));
      if (const auto look = look_at_wheel(t_ns, 40)) {
        const std::string words = words_of(*look, pitches_of(*look));
        EXPECT_TRUE(words == named.name || words.starts_with("a pattern") || words.starts_with("even"))
            << named.name << " called " << words << ", phase " << i;
      }
    }
  }
}

// All pairs of common wheels: the one that turns, the one in the file.
TEST(WheelFit, tells_every_mismatch_of_common_wheels_at_idle_and_never_doubts_the_right_file) {
  int pairs = 0;
  int told = 0;
  for (const NamedWheel& turning : common_wheels()) {
    for (int first = 0; first < 6; ++first) {
      const auto t_ns =
          rough_times(turning, 7 * first, 500, rippling(800, 0.06, 2, first), static_cast<std::uint64_t>(first));
      for (const NamedWheel& file : common_wheels()) {
        const auto look = look_at_wheel(t_ns, whole_pattern(file));
        ASSERT_TRUE(look) << turning.name;
        const WheelFit found = fit(*look, file.cycle);
        if (same(turning, file)) {
          EXPECT_EQ(found, WheelFit::fits) << turning.name << " from tooth " << 7 * first;
        } else if (!both_even(turning, file)) {
          ++pairs;
          told += found != WheelFit::fits ? 1 : 0;
        }
      }
    }
  }
  RecordProperty("pairs", pairs);
  EXPECT_GE(told, pairs * 98 / 100) << "of " << pairs;
}

// Wheels of at most 15 degrees a tooth; coarser ones can't be told from a compression dip, and nothing is said of them.
TEST(WheelFit, tells_mismatches_of_fine_wheels_at_published_cranking_and_never_doubts_the_right_file) {
  int pairs = 0;
  int told = 0;
  for (const NamedWheel& turning : common_wheels()) {
    for (int i = 0; i < 12; ++i) {
      const auto t_ns =
          rough_times(turning, 7 * i, 300, test::cranking(i * std::numbers::pi / 6), static_cast<std::uint64_t>(i));
      for (const NamedWheel& file : common_wheels()) {
        const auto look = look_at_wheel(t_ns, whole_pattern(file));
        if (same(turning, file)) {
          EXPECT_TRUE(!look || fit(*look, file.cycle) == WheelFit::fits) << turning.name << ", phase " << i;
        } else if (!both_even(turning, file) && turning.cycle.mean_step_deg() < 17 && file.cycle.mean_step_deg() < 17) {
          ++pairs;
          told += look && fit(*look, file.cycle) != WheelFit::fits ? 1 : 0;
        }
      }
    }
  }
  EXPECT_GE(told, pairs * 98 / 100) << "of " << pairs;
}

TEST(WheelFit, is_not_shaken_by_quick_speeding_up) {
  for (const NamedWheel& named : common_wheels()) {
    for (const double rpm : {800.0, 3000.0}) {
      const auto t_ns = rough_times(named, 3, 400, test::speeding_up(rpm, 30'000), 5);
      if (const auto look = look_at_wheel(t_ns, whole_pattern(named))) {
        EXPECT_EQ(fit(*look, named.cycle), WheelFit::fits) << named.name << " from " << rpm;
      }
    }
  }
}

TEST(WheelFit, takes_a_single_missing_tooth_away_from_the_gap_for_damage) {
  NamedWheel damaged = wheel(60, 2);
  // Without tooth 20: gaps of two and one.
  EXPECT_EQ(
      fit(*look_at_wheel(rough_times(gaps("", 60, {{19, 1}, {58, 2}}), 0, 400, steady(800), 1), 60), damaged.cycle),
      WheelFit::tooth_missing);
  // Beside the gap it is as good as a wheel with a longer gap.
  EXPECT_EQ(fit(*look_at_wheel(rough_times(wheel(60, 3), 0, 400, steady(800), 1), 60), damaged.cycle),
            WheelFit::other_wheel);
}

// 36-2 at 1,000 rpm: a pitch of 10 degrees takes 1,667 us. Teeth stand at 0, 10 ... 330; wired backwards, the steep side of the
// signal is in the middle between two teeth: 5, 15 ... 325, then once in the gap from 330 to 360, here at 342, then 365. So
// the intervals beside the gap are 17 and 23 degrees, together 4 pitches, where 30 and 10 are expected.
TEST(WheelFit, knows_a_reluctor_wired_backwards_worked_by_hand) {
  const double deg_us = 1e6 / 6000;
  std::vector<double> step_us(32, 10 * deg_us);
  step_us.push_back(17 * deg_us);
  step_us.push_back(23 * deg_us);
  const auto look = look_at_wheel(times_of(step_us, 6), 40);
  ASSERT_TRUE(look);
  EXPECT_EQ(fit(*look, wheel(36, 2).cycle), WheelFit::wired_backwards);
  EXPECT_EQ(fit(*look, wheel(36, 1).cycle), WheelFit::other_wheel);
}

TEST(WheelFit, knows_backward_wiring_wherever_the_signal_crosses_zero_in_the_gap) {
  for (const auto& [teeth, missing] : {std::pair(60, 2), std::pair(36, 1), std::pair(36, 2), std::pair(24, 1)}) {
    const double pitch_us = 1e6 / 6 / 800 * 360 / teeth;
    // The shorter of the two at least 1.25 pitches.
    for (double from_last_tooth = 0.75; from_last_tooth <= missing + 0.25; from_last_tooth += 0.25) {
      std::vector<double> step_us(static_cast<std::size_t>(teeth - missing - 2), pitch_us);
      step_us.push_back((0.5 + from_last_tooth) * pitch_us);
      step_us.push_back((missing + 1.5 - from_last_tooth) * pitch_us);
      const auto look = look_at_wheel(times_of(step_us, 6), static_cast<std::size_t>(teeth));
      ASSERT_TRUE(look);
      EXPECT_EQ(fit(*look, wheel(teeth, missing).cycle), WheelFit::wired_backwards)
          << teeth << "-" << missing << ", crossing " << from_last_tooth << " pitches after the last tooth";
    }
  }
}

TEST(WheelFit, ripple_bends_as_in_the_published_record) {
  // At 85 rpm, the least: 155 + 70 cos x + 5 cos 2x with x at 10 Hz; the second difference over 1 ms there.
  const auto log_rpm = [](double t_s) {
    const double x = std::numbers::pi + 2 * std::numbers::pi * 10 * t_s;
    return std::log(150 + 70 * std::cos(x) + 5 * std::cos(2 * x));
  };
  const double bend = log_rpm(0.001) - 2 * log_rpm(0) + log_rpm(-0.001);
  EXPECT_NEAR(ripple_bend_max(1e6, 150, false), bend, 0.05 * bend);
}

}  // namespace
}  // namespace cw
