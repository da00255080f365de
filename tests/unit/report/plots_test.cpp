#include "report/plots.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "report/svg.hpp"
#include "report/time_line.hpp"

namespace cw {
namespace {

TEST(Ticks, are_round_numbers_within_the_axis) {
  EXPECT_EQ(ticks_within(0, 10, 5).values, (std::vector<double>{0, 2, 4, 6, 8, 10}));
  EXPECT_EQ(ticks_within(-1, 1, 4).values.size(), 5U);
  EXPECT_EQ(ticks_within(-1, 1, 4).decimals, 1);
  EXPECT_EQ(ticks_within(0, 100'000, 4).decimals, 0);
  EXPECT_TRUE(ticks_within(1, 1, 4).values.empty());
  EXPECT_TRUE(ticks_within(0, 1.0 / 0.0, 4).values.empty());
  EXPECT_LE(ticks_within(0, 1e300, 8).values.size(), 20U);
}

TEST(Moments, are_told_as_people_say_them) {
  EXPECT_EQ(moment_words(12'340'000'000), "12.340 s");
  EXPECT_EQ(moment_words(125'100'000'000), "2 min 5.100 s");
  EXPECT_EQ(moment_words((3 * 3600 + 12 * 60 + 4) * 1'000'000'000LL), "3 h 12 min 4.000 s");
  EXPECT_EQ(moment_words(0), "0.000 s");
}

// The line's interval at 0 rpm is that of the angle, and it is narrowest at the mean speed (any straight-line fit).
TEST(OffsetLine, interval_is_that_of_the_angle_at_rest_and_least_at_the_mean_speed) {
  OffsetFit fit;
  fit.offset_deg = Estimate{1, 0.5};
  fit.delay_us = Estimate{20, 25};
  fit.mean_rpm = 3000;
  EXPECT_NEAR(line_half_width_deg(fit, 0), 0.5, 1e-9);
  EXPECT_LT(line_half_width_deg(fit, 3000), line_half_width_deg(fit, 2000));
  EXPECT_LT(line_half_width_deg(fit, 3000), line_half_width_deg(fit, 4000));
  // 6 degrees a second and rpm: 25 us at 1,000 rpm are 0.15 degrees.
  const double at_mean = line_half_width_deg(fit, 3000);
  EXPECT_NEAR(line_half_width_deg(fit, 4000), std::sqrt(at_mean * at_mean + 0.15 * 0.15), 1e-9);
}

TEST(OffsetWords, no_number_comes_without_its_interval) {
  OffsetFit fit;
  fit.verdict = OffsetVerdict::angle_and_delay;
  fit.deviation_deg = Estimate{2.5, 0.1};
  fit.offset_deg = Estimate{1, 0.2};
  fit.delay_us = Estimate{50, 3};
  std::string all;
  for (const std::string& sentence : offset_fit_words(fit)) {
    all += sentence + "\n";
  }
  EXPECT_NE(all.find("Angle: +1.00 deg (95 %: +0.80 to +1.20). Delay: +50.0 us (95 %: +47.0 to +53.0)."),
            std::string::npos)
      << all;
  EXPECT_EQ(offset_fit_words({}).size(), 1U);  // nothing usable
}

TEST(Plots, are_empty_without_readings_and_drawn_with_one) {
  const Engine engine;
  EXPECT_EQ(deviation_svg(engine, {}, {}, {}), "");
  EXPECT_EQ(wheel_svg({}), "");
  std::vector<SpeedBin> bins(3);
  bins[2].deviation_deg.add(0.5);
  bins[2].rpm_sum = 120;
  EXPECT_NE(deviation_svg(engine, bins, {}, {}).find("</svg>"), std::string::npos);
  WheelShape shape;
  shape.teeth = {{1, 0.1, 0.02, 0.01, std::nullopt}, {2, -0.1, 0.02, 0.01, 0.4}};
  const std::string svg = wheel_svg(shape);
  EXPECT_NE(svg.find("<title"), std::string::npos);
  EXPECT_NE(svg.find("<desc"), std::string::npos);
}

}  // namespace
}  // namespace cw
