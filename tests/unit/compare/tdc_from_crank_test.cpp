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

TEST(TdcFromCrank, takes_teeth_only_between_two_cycles_that_have_them_all) {
  const Engine engine = engine_of(4, 60);
  std::vector<std::int64_t> edges;
  for (int i = 0; i < 600; ++i) {
    if (i != 170) {
      edges.push_back(i * 1'000'000LL);
    }
  }
  std::vector<Cycle> cycles(4);
  for (std::size_t i = 0; i < cycles.size(); ++i) {
    cycles[i].number = i + 1;
    cycles[i].tdc_ns = static_cast<std::int64_t>(i) * 120'000'000LL;
    cycles[i].state = LockState::cycle_locked;
  }
  const auto runs = locate_teeth(edges, cycles, engine);
  std::size_t teeth = 0;
  for (const auto& run : runs) {
    teeth += run.size();
  }
  EXPECT_EQ(teeth, 240U);  // the second cycle lacks one
}

}  // namespace
}  // namespace cw
