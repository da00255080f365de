// Slider-crank kinematics against published formulas and values (CHECKS.md of the project's notes).
#include <cmath>
#include <numbers>

#include <gtest/gtest.h>

#include "simulate/slider_crank.hpp"

namespace cw::sim {
namespace {

constexpr double rad = std::numbers::pi / 180.0;

// Angle of the greatest piston speed by golden section.
double angle_of_peak(double rod_ratio) {
  double low = 45 * rad;
  double high = 90 * rad;
  const double part = (std::sqrt(5.0) - 1) / 2;
  for (int i = 0; i < 100; ++i) {
    const double a = high - part * (high - low);
    const double b = low + part * (high - low);
    if (piston_speed(a, rod_ratio) < piston_speed(b, rod_ratio)) {
      low = a;
    } else {
      high = b;
    }
  }
  return 0.5 * (low + high);
}

// Heywood, Internal Combustion Engine Fundamentals, ch. 2: x/r = 1 - cos t + R - sqrt(R^2 - sin^2 t); recomputed.
TEST(SliderCrank, piston_travel_for_rod_ratio_3_5) {
  EXPECT_NEAR(piston_travel(30 * rad, 3.5), 0.16987, 5e-6);
  EXPECT_NEAR(piston_travel(60 * rad, 3.5), 0.60884, 5e-6);
  EXPECT_NEAR(piston_travel(90 * rad, 3.5), 1.14590, 5e-6);
  EXPECT_NEAR(piston_travel(120 * rad, 3.5), 1.60884, 5e-6);
  EXPECT_NEAR(piston_travel(180 * rad, 3.5), 2.0, 1e-12);
}

// Mid-stroke crank angle is acos(1 / (2R)): slider-crank geometry, recomputed.
TEST(SliderCrank, is_at_mid_stroke_where_the_closed_form_says) {
  EXPECT_NEAR(piston_travel(80.406 * rad, 3.0), 1.0, 2e-5);
  EXPECT_NEAR(piston_travel(81.787 * rad, 3.5), 1.0, 2e-5);
  EXPECT_NEAR(piston_travel(82.819 * rad, 4.0), 1.0, 2e-5);
}

// Peak over mean piston speed and its angle: slider-crank geometry, recomputed. Mean speed is 2 strokes a revolution:
// 4 r n, so peak/mean = (pi / 2) * peak of d(x/r)/dt.
TEST(SliderCrank, peak_over_mean_piston_speed_and_its_angle) {
  const double rows[3][3] = {{3.0, 1.65662, 73.18}, {3.5, 1.63401, 75.14}, {4.0, 1.61931, 76.72}};
  for (const auto& row : rows) {
    const double at = angle_of_peak(row[0]);
    EXPECT_NEAR(at / rad, row[2], 0.006) << "R = " << row[0];
    EXPECT_NEAR(std::numbers::pi / 2 * piston_speed(at, row[0]), row[1], 6e-6) << "R = " << row[0];
  }
}

// Khurmi, Theory of Machines, example 15.3: crank 0.3 m, rod 1 m, 200 rpm, greatest piston speed 6.54 m/s near 75
// degrees by the first-order formula.
TEST(SliderCrank, reproduces_the_textbook_example_of_a_300_mm_crank) {
  const double speed = 0.3 * 200 * 2 * std::numbers::pi / 60;
  double best = 0;
  double best_deg = 0;
  for (int i = 0; i < 18000; ++i) {
    const double deg = 0.01 * i;
    const double value = speed * piston_speed_first_order(deg * rad, 1 / 0.3);
    if (value > best) {
      best = value;
      best_deg = deg;
    }
  }
  EXPECT_NEAR(best, 6.54, 0.005);
  EXPECT_NEAR(best_deg, 75, 0.5);
  // The exact form differs by less than 2 % at this rod ratio.
  EXPECT_NEAR(speed * piston_speed(75 * rad, 1 / 0.3), best, 0.02 * best);
}

TEST(SliderCrank, speed_and_acceleration_are_the_derivatives_of_travel) {
  const double h = 1e-5;
  for (int deg = -170; deg < 180; deg += 17) {
    const double t = deg * rad;
    EXPECT_NEAR(piston_speed(t, 3.2), (piston_travel(t + h, 3.2) - piston_travel(t - h, 3.2)) / (2 * h), 1e-8);
    EXPECT_NEAR(piston_acceleration(t, 3.2), (piston_speed(t + h, 3.2) - piston_speed(t - h, 3.2)) / (2 * h), 1e-8);
  }
}

}  // namespace
}  // namespace cw::sim
