#include "geometry/engine.hpp"

#include <gtest/gtest.h>

#include <vector>

namespace cw {
namespace {

TEST(PitchedTeeth, of_sixty_less_two_stand_six_degrees_apart_to_the_last_bit) {
  const std::vector<WheelTooth> teeth = pitched_teeth(60, {{58, 2}}, 360);
  ASSERT_EQ(teeth.size(), 58U);
  for (std::size_t i = 0; i < teeth.size(); ++i) {
    EXPECT_EQ(teeth[i].angle_deg, 6.0 * static_cast<double>(i));
    EXPECT_EQ(teeth[i].number, static_cast<int>(i) + 1);
  }
}

TEST(PitchedTeeth, number_positions_with_the_missing_ones_counted) {
  const std::vector<WheelTooth> teeth = pitched_teeth(36, {{13, 2}, {16, 2}, {34, 2}}, 360);
  ASSERT_EQ(teeth.size(), 30U);
  EXPECT_EQ(teeth[12].number, 13);
  EXPECT_EQ(teeth[13].number, 16);
  EXPECT_EQ(teeth[13].angle_deg, 150);
  EXPECT_EQ(teeth[14].number, 19);
  EXPECT_EQ(teeth[29].number, 34);
}

TEST(PitchedTeeth, without_a_gap_fill_the_wheel) {
  EXPECT_EQ(pitched_teeth(4, {}, 360).size(), 4U);
  EXPECT_EQ(pitched_teeth(1, {}, 360).size(), 1U);
}

TEST(PitchedTeeth, of_a_wheel_on_the_cam_spread_over_two_crank_turns) {
  EXPECT_EQ(pitched_teeth(24, {}, 720).at(1).angle_deg, 30);
}

// One tooth of an N-tooth cam gear is 720/N crank degrees: 48 teeth 15, 40 teeth 18 (arithmetic; common practice, no
// source).
TEST(PitchedTeeth, give_the_crank_angle_of_a_cam_gear_tooth) {
  EXPECT_EQ(pitched_teeth(48, {}, 720).at(1).angle_deg, 15);
  EXPECT_EQ(pitched_teeth(40, {}, 720).at(1).angle_deg, 18);
}

TEST(ListedTeeth, keep_their_angles_and_count_from_one) {
  const std::vector<WheelTooth> teeth = listed_teeth({0, 70, 180});
  ASSERT_EQ(teeth.size(), 3U);
  EXPECT_EQ(teeth[2].angle_deg, 180);
  EXPECT_EQ(teeth[2].number, 3);
  EXPECT_TRUE(listed_teeth({}).empty());
}

TEST(EvenFiringAngles, go_by_cylinder_not_by_order) {
  EXPECT_EQ(even_firing_angles({1, 3, 4, 2}, 720), (std::vector<double>{0, 540, 180, 360}));
  EXPECT_EQ(even_firing_angles({1, 2}, 360), (std::vector<double>{0, 180}));
  EXPECT_EQ(even_firing_angles({1}, 720), std::vector<double>{0});
}

}  // namespace
}  // namespace cw
