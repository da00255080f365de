#include "geometry/tooth_cycle.hpp"

#include <gtest/gtest.h>

#include <numeric>
#include <vector>

namespace cw {
namespace {

Engine engine_with(std::vector<WheelTooth> teeth, double offset_deg, double period_deg = 360, double cycle_deg = 720) {
  Engine engine;
  engine.cycle_deg = cycle_deg;
  engine.crank.positions = static_cast<int>(teeth.size());
  engine.crank.teeth = std::move(teeth);
  engine.crank.period_deg = period_deg;
  engine.crank.trigger_offset_deg = offset_deg;
  return engine;
}

double sum_of_steps(const ToothCycle& cycle) {
  return std::accumulate(cycle.teeth.begin(), cycle.teeth.end(), 0.0,
                         [](double sum, const CycleTooth& tooth) { return sum + tooth.step_deg; });
}

TEST(ToothCycle, of_sixty_less_two_has_two_places_that_look_alike) {
  const ToothCycle cycle = tooth_cycle(engine_with(pitched_teeth(60, {{58, 2}}, 360), 114));
  ASSERT_EQ(cycle.teeth.size(), 116U);
  EXPECT_EQ(cycle.repeat_teeth, 58);
  EXPECT_EQ(cycle.places(), 2);
  EXPECT_EQ(sum_of_steps(cycle), 720);
  // Tooth 1 at 720 - 114 = 606; the tooth before the gap stands 18 before the next tooth 1, at 246 - 18 = 228.
  EXPECT_EQ(cycle.teeth[0].crank_deg, 606);
  EXPECT_EQ(cycle.teeth[0].turn, 0);
  EXPECT_EQ(cycle.teeth[57].number, 58);
  EXPECT_EQ(cycle.teeth[57].step_deg, 18);
  EXPECT_EQ(cycle.teeth[57].crank_deg, 228);
  EXPECT_EQ(cycle.teeth[58].number, 1);
  EXPECT_EQ(cycle.teeth[58].turn, 1);
  EXPECT_EQ(cycle.teeth[58].crank_deg, 246);
  EXPECT_EQ(cycle.teeth[115].step_deg, 18);
  // Tooth 20: 606 + 19 * 6 = 720.
  EXPECT_EQ(cycle.teeth[19].crank_deg, 0);
}

TEST(ToothCycle, of_twelve_even_teeth_repeats_with_every_tooth) {
  const ToothCycle cycle = tooth_cycle(engine_with(pitched_teeth(12, {}, 360), 0));
  EXPECT_EQ(cycle.repeat_teeth, 1);
  EXPECT_EQ(cycle.places(), 24);
}

TEST(ToothCycle, of_three_gaps_repeats_once_a_turn_when_they_are_uneven) {
  const ToothCycle cycle = tooth_cycle(engine_with(pitched_teeth(36, {{13, 2}, {16, 2}, {34, 2}}, 360), 530));
  EXPECT_EQ(cycle.repeat_teeth, 30);
  EXPECT_EQ(cycle.places(), 2);
  EXPECT_EQ(cycle.teeth[0].crank_deg, 190);
  EXPECT_EQ(cycle.teeth[12].step_deg, 30);
}

TEST(ToothCycle, of_evenly_spread_gaps_has_a_place_for_each_gap) {
  const ToothCycle cycle = tooth_cycle(engine_with(pitched_teeth(36, {{10, 2}, {22, 2}, {34, 2}}, 360), 0));
  EXPECT_EQ(cycle.repeat_teeth, 10);
  EXPECT_EQ(cycle.places(), 6);
}

TEST(ToothCycle, of_an_angle_list_keeps_its_steps) {
  const ToothCycle cycle = tooth_cycle(engine_with(listed_teeth({0, 70, 180}), 400));
  ASSERT_EQ(cycle.teeth.size(), 6U);
  EXPECT_EQ(cycle.teeth[0].step_deg, 70);
  EXPECT_EQ(cycle.teeth[1].step_deg, 110);
  EXPECT_EQ(cycle.teeth[2].step_deg, 180);
  // An offset above 360: tooth 1 of the marked turn at 720 - 400 = 320, of the other at 680.
  EXPECT_EQ(cycle.teeth[0].crank_deg, 320);
  EXPECT_EQ(cycle.teeth[3].crank_deg, 680);
  EXPECT_EQ(cycle.teeth[4].crank_deg, 30);
  EXPECT_EQ(cycle.places(), 2);
}

TEST(ToothCycle, takes_a_list_of_even_angles_for_the_even_wheel_that_it_is) {
  EXPECT_EQ(tooth_cycle(engine_with(listed_teeth({0, 120, 240}), 0)).places(), 6);
}

TEST(ToothCycle, of_a_gap_wheel_on_the_cam_has_one_place) {
  const ToothCycle cycle = tooth_cycle(engine_with(pitched_teeth(24, {{23, 1}}, 720), 700, 720));
  EXPECT_EQ(cycle.teeth.size(), 23U);
  EXPECT_EQ(cycle.places(), 1);
  EXPECT_EQ(cycle.teeth[0].crank_deg, 20);
  EXPECT_EQ(cycle.teeth[22].step_deg, 60);
  EXPECT_EQ(cycle.teeth[22].turn, 0);
}

// 360/31 and its sums are no binary fractions: the gap of the second turn came out a trifle shorter, and was none.
TEST(ToothCycle, has_gaps_of_the_very_same_length_in_both_turns) {
  for (int n = 8; n <= 120; ++n) {
    const ToothCycle cycle = tooth_cycle(engine_with(pitched_teeth(n, {{n - 2, 2}}, 360), 114));
    const std::size_t turn = cycle.teeth.size() / 2;
    for (std::size_t i = 0; i < turn; ++i) {
      EXPECT_EQ(cycle.teeth[i].step_deg, cycle.teeth[turn + i].step_deg) << n << "-2, tooth " << i;
    }
  }
}

TEST(ToothCycle, of_a_two_stroke_is_one_turn) {
  const ToothCycle cycle = tooth_cycle(engine_with(pitched_teeth(12, {{11, 1}}, 360), 100, 360, 360));
  EXPECT_EQ(cycle.cycle_deg, 360);
  EXPECT_EQ(cycle.teeth.size(), 11U);
  EXPECT_EQ(cycle.places(), 1);
  EXPECT_EQ(cycle.teeth[0].crank_deg, 260);
}

TEST(ToothCycle, of_a_single_tooth_passes_once_a_turn) {
  const ToothCycle cycle = tooth_cycle(engine_with(pitched_teeth(1, {}, 360), 90));
  EXPECT_EQ(cycle.teeth.size(), 2U);
  EXPECT_EQ(cycle.places(), 2);
  EXPECT_EQ(cycle.teeth[0].step_deg, 360);
}

}  // namespace
}  // namespace cw
