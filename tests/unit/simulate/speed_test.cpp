// Speed profiles against published cranking figures and textbook arithmetic.
#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include <gtest/gtest.h>

#include "simulate/simulation.hpp"
#include "trial_engine.hpp"

namespace cw::sim {
namespace {

Engine ring_gear_engine(int teeth) {
  Engine engine = trial_engine();
  engine.crank.teeth = pitched_teeth(teeth, {}, 360);
  engine.crank.positions = teeth;
  return engine;
}

// Published test report of a cranked V8 (Tech Briefs, test and measurement 21269): mean 150, least 85, greatest 225
// rpm, measured on a 168-tooth flywheel, main component 10 Hz (4 firings a revolution * 150 / 60). Read back from the
// edges.
TEST(PublishedCranking, a_ring_gear_shows_mean_least_and_greatest_speed) {
  Scenario scenario;
  scenario.phases = {published_cranking(4, 8)};
  const auto falling = times_of(simulate(ring_gear_engine(168), scenario), "crank", false);
  double least = 1e9;
  double greatest = 0;
  for (std::size_t i = 1; i < falling.size(); ++i) {
    const double rpm = 60e9 / (168.0 * static_cast<double>(falling[i] - falling[i - 1]));
    least = std::min(least, rpm);
    greatest = std::max(greatest, rpm);
  }
  const double mean =
      static_cast<double>(falling.size() - 1) / 168.0 * 60e9 / static_cast<double>(falling.back() - falling.front());
  EXPECT_NEAR(mean, 150, 0.5);
  EXPECT_NEAR(least, 85, 0.5);
  EXPECT_NEAR(greatest, 225, 0.5);
  EXPECT_NEAR((greatest - least) / mean, 0.93, 0.01);
}

TEST(PublishedCranking, its_main_component_is_at_10_hertz) {
  Scenario scenario;
  scenario.phases = {published_cranking(4, 4)};
  const Truth truth = simulate(trial_engine(), scenario).truth;
  double best = 0;
  double best_hz = 0;
  for (int quarter_hz = 4; quarter_hz <= 240; ++quarter_hz) {
    const double hz = 0.25 * quarter_hz;
    std::complex<double> sum = 0;
    for (int i = 0; i < 1600; ++i) {
      const double t_s = 4.0 * i / 1600;
      const double rpm = position_at(truth, static_cast<std::int64_t>(t_s * 1e9)).rpm;
      sum += (rpm - 150) * std::polar(1.0, -2 * std::numbers::pi * hz * t_s);
    }
    if (std::abs(sum) > best) {
      best = std::abs(sum);
      best_hz = hz;
    }
  }
  EXPECT_NEAR(best_hz, 10, 0.26);
}

// Textbook example: 630 and 600 rpm give a coefficient of fluctuation of speed of 30 / 615 = 0.0488.
TEST(Profile, reproduces_the_coefficient_of_speed_fluctuation) {
  Scenario scenario;
  Phase phase = steady(615, 2);
  phase.ripples = {{1, 15.0 / 615.0, 0}};
  scenario.phases = {phase};
  scenario.sample_deg = 1;
  const Truth truth = simulate(trial_engine(), scenario).truth;
  const auto [least, greatest] =
      std::minmax_element(truth.samples.begin(), truth.samples.end(), [](auto& a, auto& b) { return a.rpm < b.rpm; });
  EXPECT_NEAR(greatest->rpm, 630, 0.01);
  EXPECT_NEAR(least->rpm, 600, 0.01);
  EXPECT_NEAR((greatest->rpm - least->rpm) / 615, 0.0488, 5e-5);
}

// Arithmetic, 60 / (n * teeth): 60 teeth at 6,000 rpm 166.67 us, 36 teeth 277.78 us.
TEST(Profile, tooth_interval_is_60_over_speed_and_teeth) {
  Scenario scenario;
  scenario.phases = {steady(6000, 0.5)};
  for (const auto& [teeth, interval_ns] : {std::pair(60, 166666.67), std::pair(36, 277777.78)}) {
    const auto falling = times_of(simulate(ring_gear_engine(teeth), scenario), "crank", false);
    ASSERT_GT(falling.size(), 1000u);
    for (std::size_t i = 1; i < falling.size(); ++i) {
      ASSERT_NEAR(static_cast<double>(falling[i] - falling[i - 1]), interval_ns, 1.0);
    }
  }
}

// Arithmetic: 50 us at 7,000 rpm are 2.1 degrees.
TEST(Profile, fifty_microseconds_of_delay_are_2_1_degrees_at_7000_rpm) {
  Scenario scenario;
  scenario.start_deg = 0;
  scenario.phases = {steady(7000, 0.5)};
  scenario.crank.noise.delay_us = 50;
  const Simulation result = simulate(trial_engine(), scenario);
  // Tooth 1 stands at 246 degrees and is seen at 248.1.
  const auto falling = times_of(result, "crank", false);
  const auto seen = std::min_element(falling.begin(), falling.end(), [&](auto a, auto b) {
    return std::fabs(position_at(result.truth, a).crank_deg - 248.1) <
           std::fabs(position_at(result.truth, b).crank_deg - 248.1);
  });
  EXPECT_NEAR(position_at(result.truth, *seen).crank_deg, 248.1, 1e-3);
}

TEST(Profile, steady_edges_stand_at_known_times) {
  const Simulation result = simulate(trial_engine(), steady_scenario());
  // 6,000 degrees a second: tooth n of the first revolution falls at (246 + 6 (n - 1)) / 6000 s = 41 ms + (n - 1) ms,
  // teeth 59 and 60 are missing, and the wheel passes again after 60 ms. Teeth before 41 ms belong to the turn before.
  const auto falling = times_of(result, "crank", false);
  std::size_t at = 0;
  for (int ms = 0; ms < 2000; ++ms) {
    const int position = ((ms - 41) % 60 + 60) % 60;
    if (position >= 58 || ms == 0) {
      continue;  // the run begins on an edge, which is not passed
    }
    ASSERT_LT(at, falling.size());
    ASSERT_NEAR(static_cast<double>(falling[at]), ms * 1e6, 1.0) << "edge " << at;
    ++at;
  }
  // Cam edges at 62, 242, 332, 602 degrees.
  const auto cam = times_of(result, "cam1", false);
  const double angles[4] = {62, 242, 332, 602};
  for (std::size_t i = 0; i < 40; ++i) {
    const std::size_t cycle = i / 4;
    const double deg = angles[i % 4] + 720.0 * static_cast<double>(cycle);
    ASSERT_NEAR(static_cast<double>(cam[i]), deg / 6000 * 1e9, 1.0);
  }
  // Spark 10 degrees before TDC1, dwell 3 ms before the spark.
  const auto spark = times_of(result, "ref", false);
  const auto dwell = times_of(result, "ref", true);
  for (std::size_t i = 0; i < 10; ++i) {
    ASSERT_NEAR(static_cast<double>(spark[i]), (720.0 * static_cast<double>(i + 1) - 10) / 6000 * 1e9, 1.0);
    ASSERT_NEAR(static_cast<double>(dwell[i]), static_cast<double>(spark[i]) - 3e6, 1.0);
  }
  // True TDC1 each 120 ms.
  ASSERT_EQ(result.truth.tdc1_ns.size(), 16u);
  for (std::size_t i = 0; i < 16; ++i) {
    ASSERT_NEAR(static_cast<double>(result.truth.tdc1_ns[i]), 120e6 * static_cast<double>(i + 1), 1.0);
  }
}

TEST(Profile, steady_acceleration_gives_the_parabola) {
  Scenario scenario;
  scenario.start_deg = 0;
  Phase phase = steady(600, 2);
  phase.rpm_end = 6600;  // 3600 deg/s growing by 18000 deg/s each second
  scenario.phases = {phase};
  const Truth truth = simulate(trial_engine(), scenario).truth;
  ASSERT_EQ(truth.tdc1_ns.size(), 60u);  // 3600 * 2 + 9000 * 4 = 43200 degrees = 60 cycles; the last is at the very end
  for (std::size_t i = 0; i < truth.tdc1_ns.size(); ++i) {
    const double deg = 720.0 * static_cast<double>(i + 1);
    const double t_s = (-3600 + std::sqrt(3600.0 * 3600 + 4 * 9000 * deg)) / (2 * 9000);
    ASSERT_NEAR(static_cast<double>(truth.tdc1_ns[i]), t_s * 1e9, 2.0);
  }
}

TEST(Profile, starts_from_rest_and_stops) {
  Scenario scenario;
  scenario.start_deg = 0;
  Phase up = steady(0, 1);
  up.rpm_end = 1200;
  Phase down = steady(1200, 1);
  down.rpm_end = 0;
  scenario.phases = {up, down};
  const Truth truth = simulate(trial_engine(), scenario).truth;
  // Mean 600 rpm over 2 s: 20 revolutions.
  EXPECT_NEAR(truth.samples.back().crank_deg, 7200, 1e-3);
  EXPECT_NEAR(truth.end_s, 2.0, 1e-9);
  EXPECT_NEAR(position_at(truth, 1000000000).rpm, 1200, 0.1);
}

// Two orders mixed against a direct integration of d theta / dt with a step a hundred times finer.
TEST(Profile, a_mixed_ripple_agrees_with_a_fine_integration) {
  Scenario scenario;
  scenario.start_deg = 0;
  Phase phase = steady(300, 1);
  phase.rpm_end = 500;
  phase.ripples = {{2, 0.3, 40}, {0.5, 0.1, -70}};
  scenario.phases = {phase};
  scenario.sample_deg = 2;
  const Truth truth = simulate(trial_engine(), scenario).truth;
  const auto speed = [](double t, double deg) {
    const double rad = std::numbers::pi / 180;
    return (300 + 200 * t) * 6 * (1 + 0.3 * std::cos((2 * deg - 40) * rad) + 0.1 * std::cos((0.5 * deg + 70) * rad));
  };
  double deg = 0;
  const int steps = 100000;
  const double h = 1.0 / steps;
  for (int i = 0; i < steps; ++i) {
    const double t = i * h;
    deg += h * speed(t + h / 2, deg + h / 2 * speed(t, deg));
    if (i % 10000 == 9999) {
      const double got = position_at(truth, static_cast<std::int64_t>(std::llround((t + h) * 1e9))).crank_deg;
      ASSERT_NEAR(got, std::fmod(deg, 720.0), 0.002) << "at " << t + h << " s";
    }
  }
}

double share_at(const std::vector<Ripple>& ripples, double deg) {
  double share = 0;
  for (const Ripple& ripple : ripples) {
    share += ripple.amplitude * std::cos((ripple.order * deg - ripple.phase_deg) * std::numbers::pi / 180);
  }
  return share;
}

TEST(FiringRipple, of_an_odd_twin_is_lowest_at_its_two_dead_centres_and_highest_in_the_longer_pause) {
  Engine engine = trial_engine();
  engine.cylinders = 2;
  engine.firing_angles_deg = {0, 416};
  const std::vector<Ripple> ripples = firing_ripple(engine, 0.4);
  double greatest = 0;
  int greatest_deg = 0;
  double least = 0;
  for (int deg = 0; deg < 720; ++deg) {
    const double share = share_at(ripples, deg);
    if (share > greatest) {
      greatest = share;
      greatest_deg = deg;
    }
    least = std::min(least, share);
  }
  EXPECT_NEAR((greatest - least) / 2, 0.4, 1e-3);
  EXPECT_NEAR(share_at(ripples, 0), least, 0.03);
  EXPECT_NEAR(share_at(ripples, 416), least, 0.03);
  EXPECT_TRUE((greatest_deg > 90 && greatest_deg < 326) || (greatest_deg > 506 && greatest_deg < 630)) << greatest_deg;
  EXPECT_GT(share_at(ripples, 208), 0.15);  // half way in each pause
  EXPECT_GT(share_at(ripples, 568), 0.15);
}

TEST(FiringRipple, of_an_even_four_has_the_firing_order_and_its_multiples_only) {
  for (const Ripple& ripple : firing_ripple(trial_engine(), 0.3)) {
    EXPECT_NEAR(std::fmod(ripple.order, 2), 0, 1e-9) << ripple.order;
  }
  EXPECT_NEAR(share_at(firing_ripple(trial_engine(), 0.3), 180), share_at(firing_ripple(trial_engine(), 0.3), 0), 1e-9);
}

TEST(Profile, holds_its_speed_at_12000_rpm) {
  Scenario scenario;
  scenario.phases = {steady(12000, 1)};
  EXPECT_EQ(simulate(trial_engine(), scenario).truth.tdc1_ns.size(), 100u);
}

}  // namespace
}  // namespace cw::sim
