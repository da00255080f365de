// The equation of motion by hand: a crank whose w^2 falls evenly and dips at known angles.
#include "compare/tdc_from_crank.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "geometry/angle.hpp"

namespace cw {
namespace {

Engine engine_of(int cylinders, int teeth) {
  Engine engine;
  engine.cylinders = cylinders;
  for (int i = 1; i <= cylinders; ++i) {
    engine.firing_order.push_back(i);
  }
  engine.firing_angles_deg = even_firing_angles(engine.firing_order, 720);
  engine.crank.positions = teeth;
  engine.crank.teeth = pitched_teeth(teeth, {}, 360);
  return engine;
}

// Passages of every `pitch_deg` of a crank with rpm^2 = from^2 - fall per degree - swing cos(waves (a - slow)), so that it is
// slowest, the fall taken off, at `slow_deg` plus `late_deg` at 100 rpm and as 1 / rpm.
std::vector<ToothPassage> run_down(double pitch_deg, int waves_a_cycle, double slow_deg, double late_deg) {
  std::vector<ToothPassage> passages;
  double t_ns = 0;
  constexpr double step_deg = 0.05;
  double next_deg = 0;
  for (double deg = 0; deg < 720 * 7; deg += step_deg) {
    const double level = 900.0 * 900.0 - 140 * deg;
    const double slow = slow_deg + late_deg * 100 / std::sqrt(level);
    const double phase = waves_a_cycle / 2.0 * (deg - slow) * std::numbers::pi / 180;
    const double rpm = std::sqrt(level - 9000 * std::cos(phase));
    if (deg >= next_deg) {
      passages.push_back({std::llround(t_ns), deg});
      next_deg += pitch_deg;
    }
    t_ns += step_deg * ns_per_deg_at(rpm);
  }
  return passages;
}

TEST(TdcFromCrank, is_where_the_speed_of_a_run_down_dips_once_its_fall_is_taken_off) {
  for (const double slow_deg : {-25.0, 0.0, 13.0}) {
    const std::vector<std::vector<ToothPassage>> runs = {run_down(6, 4, slow_deg, 0)};
    const TdcFromCrank told = tdc_from_crank(runs, engine_of(4, 60));
    ASSERT_EQ(told.why_not, "");
    EXPECT_NEAR(told.deg, slow_deg, 0.7);
    EXPECT_LE(std::fabs(told.deg - slow_deg), told.half_width_deg);
    EXPECT_EQ(told.modulo_deg, 180);
  }
}

TEST(TdcFromCrank, takes_off_what_grows_as_the_crank_slows) {
  const std::vector<std::vector<ToothPassage>> runs = {run_down(6, 4, 5, 8)};
  const TdcFromCrank told = tdc_from_crank(runs, engine_of(4, 60));
  ASSERT_EQ(told.why_not, "");
  EXPECT_NEAR(told.deg, 5, 1);
}

TEST(TdcFromCrank, says_nothing_with_few_teeth_or_without_a_run_down) {
  EXPECT_NE(tdc_from_crank(std::vector<std::vector<ToothPassage>>{run_down(30, 4, 0, 0)}, engine_of(4, 12)).why_not,
            "");
  EXPECT_NE(tdc_from_crank({}, engine_of(4, 60)).why_not, "");
}

// Every 6 degrees at 1,000 rpm, without the one numbered `missing`; top dead centres told every 120 edges, `told` of them.
struct Edges {
  std::vector<std::int64_t> t_ns;
  std::vector<Cycle> cycles;
};
Edges even_edges(int count, int missing, std::size_t told) {
  Edges edges;
  for (int i = 0; i < count; ++i) {
    if (i != missing) {
      edges.t_ns.push_back(i * 1'000'000LL);
    }
  }
  edges.cycles.resize(told);
  for (std::size_t i = 0; i < told; ++i) {
    edges.cycles[i].number = i + 1;
    edges.cycles[i].tdc_ns = static_cast<std::int64_t>(i) * 120'000'000LL;
    edges.cycles[i].state = LockState::cycle_locked;
  }
  return edges;
}

TEST(TdcFromCrank, takes_teeth_up_to_a_missing_edge_and_from_the_next_whole_cycle_on) {
  const Edges edges = even_edges(361, 170, 4);
  const auto runs = locate_teeth(edges.t_ns, edges.cycles, engine_of(4, 60));
  ASSERT_EQ(runs.size(), 2U);
  EXPECT_EQ(runs[0].size(), 170U);
  EXPECT_EQ(runs[0].back().t_ns, 169'000'000);
  EXPECT_EQ(runs[0].back().crank_deg - runs[0].front().crank_deg, 169 * 6);
  EXPECT_EQ(runs[1].front().t_ns, 240'000'000);
}

TEST(TdcFromCrank, counts_on_behind_the_last_top_dead_centre_that_was_told) {
  const Edges edges = even_edges(300, -1, 2);
  const auto runs = locate_teeth(edges.t_ns, edges.cycles, engine_of(4, 60));
  ASSERT_EQ(runs.size(), 1U);
  ASSERT_EQ(runs[0].size(), 300U);
  EXPECT_EQ(runs[0].back().crank_deg - runs[0].front().crank_deg, 299 * 6);
}

TEST(TdcFromCrank, counts_no_further_than_to_where_the_engine_is_about_to_stand) {
  Edges edges = even_edges(140, -1, 2);
  double t_ns = static_cast<double>(edges.t_ns.back());
  double rpm = 1000;
  for (int i = 0; i < 40; ++i) {
    rpm *= 0.9;
    t_ns += 6 * ns_per_deg_at(rpm);
    edges.t_ns.push_back(std::llround(t_ns));
  }
  const auto runs = locate_teeth(edges.t_ns, edges.cycles, engine_of(4, 60));
  ASSERT_EQ(runs.size(), 1U);
  // 1,000 * 0.9^20 = 122 rpm is the last above 120.
  EXPECT_EQ(runs[0].size(), 160U);
}

}  // namespace
}  // namespace cw
