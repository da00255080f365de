#include "geometry/angle.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace cw {
namespace {

TEST(WrapDeg, leaves_angles_of_the_cycle_as_they_are) {
  EXPECT_EQ(wrap_deg(0, 720), 0);
  EXPECT_EQ(wrap_deg(359.5, 720), 359.5);
  EXPECT_EQ(wrap_deg(719.999, 720), 719.999);
}

TEST(WrapDeg, turns_exact_multiples_of_the_cycle_into_zero) {
  for (const double cycle_deg : {360.0, 720.0}) {
    for (const int cycles : {-1000, -2, -1, 0, 1, 2, 1000}) {
      EXPECT_EQ(wrap_deg(cycles * cycle_deg, cycle_deg), 0) << cycles;
    }
  }
}

TEST(WrapDeg, brings_negative_angles_up_and_large_ones_down) {
  EXPECT_EQ(wrap_deg(-10, 720), 710);
  EXPECT_EQ(wrap_deg(-710, 720), 10);
  EXPECT_EQ(wrap_deg(-730, 720), 710);
  EXPECT_EQ(wrap_deg(1450, 720), 10);
  EXPECT_EQ(wrap_deg(370, 360), 10);
}

TEST(WrapDeg, never_returns_the_cycle_itself) {
  // -1e-20 + 720 rounds to 720.
  EXPECT_EQ(wrap_deg(-1e-20, 720), 0);
  EXPECT_LT(wrap_deg(-1e-13, 720), 720);
  EXPECT_LT(wrap_deg(std::nextafter(0.0, -1.0), 360), 360);
}

TEST(WrapSignedDeg, gives_the_nearer_way_round) {
  EXPECT_EQ(wrap_signed_deg(10, 720), 10);
  EXPECT_EQ(wrap_signed_deg(710, 720), -10);
  EXPECT_EQ(wrap_signed_deg(-710, 720), 10);
  EXPECT_EQ(wrap_signed_deg(350, 360), -10);
  EXPECT_EQ(wrap_signed_deg(1430, 720), -10);
}

TEST(WrapSignedDeg, takes_the_far_point_as_negative) {
  EXPECT_EQ(wrap_signed_deg(360, 720), -360);
  EXPECT_EQ(wrap_signed_deg(-360, 720), -360);
  EXPECT_EQ(wrap_signed_deg(180, 360), -180);
  EXPECT_EQ(wrap_signed_deg(359.75, 720), 359.75);
}

// 1 rpm = 6 degrees/s; a delay of 50 us at 7,000 rpm is 2.1 degrees; 1 us at 6,000 rpm is 0.036; 3 ms of dwell at
// 6,000 rpm is 108. Arithmetic: one turn of 360 degrees in 60 s is 6 degrees a second.
TEST(AngleOfTime, follows_from_six_degrees_a_second_for_each_rpm) {
  EXPECT_EQ(deg_per_s_per_rpm, deg_per_rev / 60);
  EXPECT_NEAR(7000 * deg_per_s_per_rpm * 50e-6, 2.1, 1e-12);
  EXPECT_NEAR(6000 * deg_per_s_per_rpm * 1e-6, 0.036, 1e-12);
  EXPECT_NEAR(6000 * deg_per_s_per_rpm * 3e-3, 108, 1e-9);
}

// The C library's fmod is exact by its definition (ISO C, 7.12.10.1).
TEST(WrapDeg, wraps_as_fmod_does_bit_by_bit) {
  std::mt19937_64 random(1);
  std::uniform_real_distribution<double> exponent(-20, 45);
  for (int i = 0; i < 200'000; ++i) {
    const double magnitude =
        std::ldexp(1 + static_cast<double>(random() >> 12U) * 0x1p-52, static_cast<int>(exponent(random)));
    for (const double cycle_deg : {360.0, 720.0, 12.5, 1080.0, 5000.0}) {
      for (const double angle_deg : {magnitude, std::nextafter(std::round(magnitude) * cycle_deg, 0)}) {
        const double remainder = std::fmod(angle_deg, cycle_deg);
        ASSERT_EQ(wrap_deg(angle_deg, cycle_deg), remainder) << angle_deg << " " << cycle_deg;
        const double lifted = remainder == 0 ? 0 : cycle_deg - remainder;
        ASSERT_EQ(wrap_deg(-angle_deg, cycle_deg), lifted < cycle_deg ? lifted : 0) << -angle_deg << " " << cycle_deg;
      }
    }
  }
}

}  // namespace
}  // namespace cw
