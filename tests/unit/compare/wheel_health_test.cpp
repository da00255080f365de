#include "compare/wheel_health.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <string>
#include <vector>

#include "simulate/random.hpp"

namespace cw {
namespace {

double rad(double deg) {
  return deg * std::numbers::pi / 180;
}

struct Ripple {
  double order = 2;     // waves a turn
  double late_deg = 0;  // how late the crank comes at the crest, at 1,000 rpm; falls with the square of speed
  double phase_deg = 0;
};

// A 36-1 wheel on a four whose teeth stand as told, and whose speed ripples.
class WheelHealthTest : public testing::Test {
 protected:
  WheelHealthTest() {
    engine_.firing_order = {1, 3, 4, 2};
    engine_.firing_angles_deg = even_firing_angles(engine_.firing_order, 720);
    engine_.crank.teeth = pitched_teeth(36, {{35, 1}}, 360);
    engine_.crank.positions = 36;
    error_deg_.assign(35, 0.0);
  }

  // Two cycles of the teeth, from some tooth on.
  ToothTimesEvent cycles(double rpm) {
    const std::vector<CycleTooth>& teeth = cycle_.teeth;
    ToothTimesEvent event;
    event.first = 7;
    const double deg_s = 6 * rpm;
    double turned_deg = teeth[event.first].wheel_deg;
    for (std::size_t i = 0; i <= 2 * teeth.size(); ++i) {
      const std::size_t tooth = (event.first + i) % teeth.size();
      const double at_deg = turned_deg + error_deg_[tooth % engine_.crank.teeth.size()];
      double late_deg = 0;
      for (const Ripple& ripple : ripples_) {
        late_deg +=
            ripple.late_deg * (1000 / rpm) * (1000 / rpm) * std::cos(rad(ripple.order * at_deg - ripple.phase_deg));
      }
      const double t_s = start_s_ + (at_deg + late_deg + jitter_deg_ * random_.normal()) / deg_s;
      event.t_ns.push_back(static_cast<std::int64_t>(t_s * 1e9));
      turned_deg += teeth[tooth].step_deg;
    }
    start_s_ += 2;
    return event;
  }
  std::vector<Finding> run(WheelHealth& health, int events, double rpm) {
    std::vector<Finding> out;
    for (int i = 0; i < events; ++i) {
      health.take(cycles(rpm), out);
    }
    return out;
  }
  void add_run_out(double amplitude_deg, double phase_deg) {
    for (std::size_t i = 0; i < error_deg_.size(); ++i) {
      error_deg_[i] += amplitude_deg * std::cos(rad(engine_.crank.teeth[i].angle_deg - phase_deg));
    }
  }

  Engine engine_;
  std::vector<double> error_deg_;  // of each tooth, positive = late
  std::vector<Ripple> ripples_ = {{2, 0.6, 40}, {4, 0.08, 200}, {6, 0.02, 10}, {0.5, 0.2, 70}, {1.5, 0.05, 0}};
  double jitter_deg_ = 0.02;
  double start_s_ = 1;
  sim::Random random_{5, 1};
  std::uint64_t next_id_ = 1;
  ToothCycle cycle_ = [] {
    Engine engine;
    engine.crank.teeth = pitched_teeth(36, {{35, 1}}, 360);
    engine.crank.positions = 36;
    return tooth_cycle(engine);
  }();
};

TEST(MaskedOrders, are_the_whole_harmonics_of_the_firing_order_and_all_whole_orders_with_uneven_firing) {
  Engine engine;
  engine.crank.teeth = pitched_teeth(60, {{58, 2}}, 360);
  engine.crank.positions = 60;
  engine.firing_angles_deg = {0, 540, 180, 360};
  EXPECT_EQ(masked_orders(engine), (std::vector<int>{2, 4, 6, 8})) << "a four: two firings a turn";
  engine.firing_angles_deg = {0, 240, 480};
  EXPECT_EQ(masked_orders(engine), (std::vector<int>{3, 6})) << "a three: orders 1.5 and 4.5 cancel over two turns";
  engine.firing_angles_deg = {0, 270};
  EXPECT_EQ(masked_orders(engine), (std::vector<int>{1, 2, 3, 4})) << "an uneven twin";
  engine.firing_angles_deg = {0};
  EXPECT_EQ(masked_orders(engine), (std::vector<int>{1, 2})) << "a single hides run-out too";
  engine.crank.teeth = pitched_teeth(12, {{11, 1}}, 360);
  engine.crank.positions = 12;
  engine.firing_angles_deg = {0, 540, 180, 360};
  EXPECT_EQ(masked_orders(engine), (std::vector<int>{2, 4, 6})) << "on twelve teeth order 8 looks like 4";
}

TEST_F(WheelHealthTest, a_true_wheel_has_no_shape_however_the_engine_ripples) {
  WheelHealth health(engine_, next_id_);
  EXPECT_TRUE(run(health, 64, 1500).empty());
  EXPECT_TRUE(run(health, 64, 3000).empty());
  ASSERT_TRUE(health.shape());
  EXPECT_EQ(health.shape()->masked_orders, (std::vector<int>{2, 4, 6, 8}));
  EXPECT_LT(health.shape()->run_out_deg, 0.01);
  for (const ToothShape& tooth : health.shape()->teeth) {
    EXPECT_LT(std::fabs(tooth.error_deg), 0.015) << tooth.tooth;
    EXPECT_NEAR(tooth.scatter_deg, jitter_deg_, 0.008) << tooth.tooth;
  }
}

TEST_F(WheelHealthTest, run_out_is_found_with_its_phase_and_is_a_fault_of_the_wheel_when_speeds_differ) {
  add_run_out(0.4, 70);
  WheelHealth health(engine_, next_id_);
  const std::vector<Finding> found = run(health, 40, 1500);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].kind, FindingKind::wheel_run_out);
  EXPECT_EQ(found[0].attribution, Attribution::undecided) << "one speed: a weak cylinder would look alike";
  const std::vector<Finding> better = run(health, 40, 3000);
  ASSERT_EQ(better.size(), 1U);
  EXPECT_EQ(better[0].id, found[0].id);
  EXPECT_EQ(better[0].attribution, Attribution::wheel);
  EXPECT_NEAR(health.shape()->run_out_deg, 0.4, 0.02);
  EXPECT_NEAR(health.shape()->run_out_phase_deg, 70, 3);
}

TEST_F(WheelHealthTest, a_weak_cylinder_is_told_from_run_out_by_a_second_speed) {
  ripples_.push_back({1, 0.8, 30});
  WheelHealth health(engine_, next_id_);
  run(health, 40, 1500);
  run(health, 40, 3000);
  EXPECT_LT(health.shape()->run_out_deg, 0.03);
}

TEST_F(WheelHealthTest, one_bent_tooth_is_told_by_its_number_and_the_others_stay_where_they_are) {
  error_deg_[11] = 1.0;
  add_run_out(0.15, 10);
  WheelHealth health(engine_, next_id_);
  const std::vector<Finding> found = run(health, 40, 1500);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].kind, FindingKind::damaged_tooth);
  EXPECT_EQ(found[0].tooth, 12);
  EXPECT_EQ(found[0].values[0].first, "error_deg");
  EXPECT_NEAR(found[0].values[0].second, 1.0, 0.05);
  for (const ToothShape& tooth : health.shape()->teeth) {
    if (tooth.tooth != 12) {
      EXPECT_LT(std::fabs(tooth.error_deg), 0.2) << tooth.tooth;
    }
  }
}

TEST_F(WheelHealthTest, a_tooth_that_is_hit_later_is_told_as_moved) {
  WheelHealth health(engine_, next_id_);
  EXPECT_TRUE(run(health, 64, 2000).empty());
  error_deg_[20] = -1.2;
  const std::vector<Finding> found = run(health, 160, 2000);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].tooth, 21);
  EXPECT_EQ(found[0].reason, attribute(FindingKind::damaged_tooth, Circumstance::tooth_moved).reason);
}

TEST_F(WheelHealthTest, the_correction_is_what_the_teeth_are_off_by_without_what_is_masked) {
  sim::Random teeth(9, 1);
  for (double& error : error_deg_) {
    error = 0.08 * teeth.normal();
  }
  WheelHealth health(engine_, next_id_);
  run(health, 64, 1500);
  run(health, 64, 3000);
  ASSERT_EQ(health.correction_deg().size(), 35U);
  EXPECT_TRUE(health.take_correction_change_deg());
  EXPECT_FALSE(health.take_correction_change_deg());
  double before = 0;
  double left = 0;
  for (std::size_t i = 0; i < 35; ++i) {
    before += error_deg_[i] * error_deg_[i] / 35;
    left += (error_deg_[i] - health.correction_deg()[i]) * (error_deg_[i] - health.correction_deg()[i]) / 35;
  }
  // Eight masked waves and the mean hold 9 of the 35 degrees of freedom.
  EXPECT_LT(std::sqrt(left), std::sqrt(before) * std::sqrt(9.0 / 35) * 1.5);
}

TEST_F(WheelHealthTest, turns_of_changing_speed_and_slow_ones_are_not_averaged) {
  add_run_out(0.5, 0);
  WheelHealth health(engine_, next_id_);
  std::vector<Finding> out = run(health, 100, 300);
  for (int i = 0; i < 100; ++i) {
    ToothTimesEvent event = cycles(2000);
    const std::int64_t from_ns = event.t_ns.front();
    for (std::int64_t& t_ns : event.t_ns) {
      const double t_s = static_cast<double>(t_ns - from_ns) * 1e-9;
      t_ns = from_ns + static_cast<std::int64_t>((t_s - 0.5 * t_s * t_s) * 1e9);
    }
    health.take(event, out);
  }
  EXPECT_FALSE(health.shape());
  EXPECT_TRUE(out.empty());
}

TEST_F(WheelHealthTest, a_masked_wave_of_two_teeth_gives_no_wild_numbers) {
  engine_.firing_angles_deg = {0, 480, 240, 600, 120, 360};
  engine_.crank.teeth = pitched_teeth(24, {{23, 1}}, 360);
  engine_.crank.positions = 24;
  cycle_ = tooth_cycle(engine_);
  ripples_ = {{3, 0.3, 20}, {6, 0.05, 0}};
  EXPECT_EQ(masked_orders(engine_), (std::vector<int>{3, 6, 9, 12})) << "twelve waves on 24 positions";
  WheelHealth health(engine_, next_id_);
  EXPECT_TRUE(run(health, 40, 1500).empty());
  for (const ToothShape& tooth : health.shape()->teeth) {
    EXPECT_LT(std::fabs(tooth.error_deg), 0.02) << tooth.tooth;
  }
}

TEST_F(WheelHealthTest, says_nothing_of_a_wheel_with_too_few_teeth) {
  engine_.crank.teeth = pitched_teeth(8, {{7, 1}}, 360);
  engine_.crank.positions = 8;
  WheelHealth health(engine_, next_id_);
  std::vector<Finding> out;
  ToothTimesEvent event;
  for (int i = 0; i <= 28; ++i) {
    event.t_ns.push_back(i * 1'000'000LL);
  }
  for (int i = 0; i < 100; ++i) {
    health.take(event, out);
  }
  EXPECT_FALSE(health.shape());
}

}  // namespace
}  // namespace cw
