#include "sync/edge_timing.hpp"

#include <cmath>
#include <cstdint>
#include <numbers>
#include <random>
#include <vector>

#include <gtest/gtest.h>

namespace cw {
namespace {

constexpr double ns_per_deg = 55'555;  // 3,000 rpm

// Even teeth of 6 degrees at a speed that ripples by `ripple` twice a turn; each off by a normal error of `sd_deg`.
std::vector<TimedTooth> turn_of_teeth(double sd_deg, double ripple, unsigned seed) {
  constexpr double step_deg = 6;
  constexpr int count = 58;
  std::mt19937 random(seed);
  std::normal_distribution<double> error_deg(0, 1);
  std::vector<TimedTooth> teeth;
  for (int i = 0; i < count; ++i) {
    const double at_deg = i * step_deg;
    const double wave_rad = 2 * at_deg * std::numbers::pi / 180;
    const double ripple_deg = ripple / 2 * std::sin(wave_rad) * 180 / std::numbers::pi;
    const double t_ns = (at_deg + ripple_deg + sd_deg * error_deg(random)) * ns_per_deg;
    teeth.push_back({std::llround(t_ns), step_deg, 0});
  }
  return teeth;
}

double mean_scatter_deg(double sd_deg, double ripple) {
  constexpr unsigned runs = 200;
  double sum = 0;
  for (unsigned seed = 1; seed <= runs; ++seed) {
    sum += edge_scatter_deg(turn_of_teeth(sd_deg, ripple, seed)).value_or(-100);
  }
  return sum / runs;
}

TEST(EdgeScatter, is_the_standard_deviation_that_edges_were_given) {
  for (const double sd_deg : {0.005, 0.03, 0.1}) {
    EXPECT_NEAR(mean_scatter_deg(sd_deg, 0), sd_deg, 0.05 * sd_deg);
  }
}

// Ten per cent twice a turn is an idling four: half a degree of phase at 0.05 / 2 rad.
TEST(EdgeScatter, has_next_to_nothing_of_how_speed_ripples) {
  EXPECT_NEAR(mean_scatter_deg(0.03, 0.05), 0.03, 0.004);
}

TEST(EdgeScatter, is_not_moved_by_a_bent_tooth) {
  std::vector<TimedTooth> teeth = turn_of_teeth(0.03, 0, 7);
  const double straight_deg = *edge_scatter_deg(teeth);
  teeth[20].t_ns += std::llround(1.0 * ns_per_deg);
  EXPECT_NEAR(*edge_scatter_deg(teeth), straight_deg, 0.3 * straight_deg);
}

TEST(EdgeScatter, leaves_out_what_is_known_of_each_tooth) {
  std::vector<TimedTooth> teeth = turn_of_teeth(0.005, 0, 3);
  for (std::size_t i = 0; i < teeth.size(); i += 2) {
    teeth[i].late_deg = 0.2;
    teeth[i].t_ns += std::llround(0.2 * ns_per_deg);
  }
  EXPECT_LT(*edge_scatter_deg(teeth), 0.01);
}

TEST(EdgeScatter, is_nothing_where_steps_are_uneven_or_few) {
  std::vector<TimedTooth> teeth = turn_of_teeth(0.03, 0, 5);
  EXPECT_FALSE(edge_scatter_deg(std::span(teeth).first(11)));
  EXPECT_TRUE(edge_scatter_deg(std::span(teeth).first(12)));
  for (std::size_t i = 0; i < teeth.size(); i += 3) {
    teeth[i].step_deg = 7;
  }
  EXPECT_FALSE(edge_scatter_deg(teeth));
}

std::int64_t tick_of(std::int64_t tick_ns, double interval_ns, double change) {
  CounterTick tick;
  for (int i = 0; i < 200; ++i) {
    const double now_ns = interval_ns * (1 + change * i / 200);
    tick.take(std::llround(now_ns / static_cast<double>(tick_ns)) * tick_ns);
  }
  return tick.tick_ns();
}

TEST(CounterTick, is_the_greatest_that_all_intervals_are_multiples_of) {
  EXPECT_EQ(tick_of(1000, 333'333, 0.2), 1000);
  EXPECT_EQ(tick_of(125, 333'333, 0.2), 125);
}

TEST(CounterTick, is_not_known_of_intervals_all_alike_nor_where_stamps_are_exact_to_the_ns) {
  EXPECT_EQ(tick_of(1000, 600'000, 0), 0);
  EXPECT_EQ(tick_of(1, 333'333, 0.2), 0);
}

// 12 MHz: 83.33 ns a tick, rounded to ns.
TEST(CounterTick, is_not_known_of_a_counter_whose_ticks_are_no_whole_ns) {
  CounterTick tick;
  for (int i = 0; i < 200; ++i) {
    tick.take(std::llround((4000 + i) * 1e9 / 12e6));
  }
  EXPECT_EQ(tick.tick_ns(), 0);
}

TEST(CounterTick, takes_some_intervals_to_be_known) {
  CounterTick tick;
  for (int i = 0; i < 31; ++i) {
    tick.take((300 + i) * 1000);
  }
  EXPECT_EQ(tick.tick_ns(), 0);
  tick.take(300'000);
  EXPECT_EQ(tick.tick_ns(), 1000);
}

}  // namespace
}  // namespace cw
