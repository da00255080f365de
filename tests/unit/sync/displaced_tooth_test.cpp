// A tooth that is bent, burred or badly cut stands out of its place in every turn. The place on the wheel is still told by
// all the others: the lock is taken and held, and no edge is called missed or one too many.
#include <array>
#include <cmath>
#include <cstdint>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "geometry/angle.hpp"
#include "sync/crank_tracker.hpp"
#include "sync/sync.hpp"
#include "tests/unit/sync/engine_times.hpp"
#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::all_of;
using test::NamedWheel;
using test::Passage;
using test::TrackerWatch;

constexpr int turns = 24;

// Every turn `tooth` (of the wheel) comes late by `share` of the step to it, at the speed it has there.
template <typename NsAt>
std::vector<Passage> with_displaced(const NamedWheel& wheel, int tooth, double share, NsAt ns_at) {
  const int repeat = wheel.cycle.repeat_teeth;
  std::vector<Passage> teeth = passages(wheel.cycle, 3, turns * test::teeth_a_turn(wheel.cycle), ns_at);
  for (std::size_t i = 1; i < teeth.size(); ++i) {
    if (teeth[i].tooth % repeat == tooth) {
      const double pitch_deg = wheel.cycle.mean_step_deg();
      const double deg = teeth[i].deg - teeth.front().deg + share * pitch_deg;
      teeth[i].t_ns = std::llround(ns_at(deg));
    }
  }
  return teeth;
}

constexpr double shares[] = {-0.22, -0.15, -0.1, 0.06, 0.12, 0.18, 0.25};

std::vector<NamedWheel> wheels() {
  return {test::wheel(60, 2), test::wheel(36, 1), test::wheel(36, 2), test::wheel(24, 1)};
}

std::string where_of(const NamedWheel& wheel, int tooth, double share, const std::string& motion) {
  return wheel.name + ", tooth " + std::to_string(tooth) + " late by " + std::to_string(share) + " of a pitch, " +
         motion;
}

// Teeth right beside the gap are another matter: there a tooth out of place looks like a reluctor wired backwards.
template <typename NsAt>
void expect_held_with_displaced(NsAt ns_at, const std::string& motion) {
  for (const NamedWheel& wheel : wheels()) {
    for (int tooth = 3; tooth + 2 < wheel.cycle.repeat_teeth; tooth += 4) {
      for (const double share : shares) {
        TrackerWatch watch(wheel.cycle);
        watch.teeth(with_displaced(wheel, tooth, share, ns_at));
        const std::string where = where_of(wheel, tooth, share, motion);
        EXPECT_EQ(watch.locks(), 1) << where;
        EXPECT_EQ(watch.losses(), 0) << where << ": " << to_string(watch.last_reason());
        EXPECT_EQ(watch.wrong_marks(), 0) << where;
        EXPECT_EQ(watch.faults().size(), 0U) << where;
      }
    }
  }
}

TEST(DisplacedTooth, is_held_over_at_steady_speed) {
  for (const double rpm : {700.0, 990.0, 2500.0, 7000.0}) {
    expect_held_with_displaced(test::steady(rpm), std::to_string(rpm) + " rpm");
  }
}

TEST(DisplacedTooth, is_held_over_while_speed_changes) {
  expect_held_with_displaced(test::speeding_up(800, 3000), "speeding up by 3,000 rpm/s");
  expect_held_with_displaced(test::speeding_up(5000, -1500), "slowing down by 1,500 rpm/s");
}

// Cranked, the place may not be found; it must not be found wrong. Not for a quarter of a pitch: that can make the gap of a
// 24-1 look like a dip; WheelWatch then keeps Sync from claiming a place (below).
TEST(DisplacedTooth, never_leads_to_a_wrong_place_on_a_slow_crank) {
  constexpr std::array<double, 3> shares = {-0.22, -0.1, 0.15};  // one a tooth, in turn
  for (const NamedWheel& wheel : wheels()) {
    for (int tooth = 0; tooth < wheel.cycle.repeat_teeth; ++tooth) {
      const double share = shares[static_cast<std::size_t>(tooth) % shares.size()];
      TrackerWatch steady(wheel.cycle);
      steady.teeth(with_displaced(wheel, tooth, share, test::steady(300)));
      EXPECT_EQ(steady.wrong_marks(), 0) << where_of(wheel, tooth, share, "300 rpm");
      TrackerWatch cranked(wheel.cycle);
      cranked.teeth(with_displaced(wheel, tooth, share, test::cranking(0.7 * tooth)));
      EXPECT_EQ(cranked.wrong_marks(), 0) << where_of(wheel, tooth, share, "cranked");
    }
  }
}

// Feeds a 24-1 without cams whose tooth 21 is late by a quarter of a pitch.
Sync sync_after(double rpm) {
  Engine engine = test::n_minus_m(24, 1);
  engine.crank.trigger_offset_deg = 100;
  Sync sync(engine);
  const NamedWheel wheel = test::wheel(24, 1);
  for (const Passage& tooth : with_displaced(wheel, 20, 0.25, test::steady(rpm))) {
    sync.crank_edge(tooth.t_ns);
  }
  return sync;
}

TEST(DisplacedTooth, by_a_quarter_of_a_pitch_is_told_and_no_place_is_claimed_on_a_slow_crank) {
  const Sync sync = sync_after(300);
  EXPECT_EQ(sync.state(), LockState::searching);
  const std::vector<WheelEvent> told = all_of<WheelEvent>(sync);
  ASSERT_FALSE(told.empty());
  EXPECT_EQ(told.back().opinion.verdict, WheelVerdict::tooth_displaced);
}

TEST(DisplacedTooth, by_a_quarter_of_a_pitch_is_told_and_the_place_is_found_on_a_running_engine) {
  const double rpm = 1500;
  const Sync sync = sync_after(rpm);
  EXPECT_EQ(sync.state(), LockState::revolution_locked);
  ASSERT_FALSE(all_of<WheelEvent>(sync).empty());
  EXPECT_EQ(all_of<WheelEvent>(sync).back().opinion.verdict, WheelVerdict::tooth_displaced);
  const std::vector<CycleEvent> cycles = all_of<CycleEvent>(sync);
  ASSERT_FALSE(cycles.empty());
  for (const CycleEvent& cycle : cycles) {
    // Time 0 is tooth 4, at 45 degrees from the reference tooth; TDC1 is 100 degrees from that tooth.
    const double tdc_deg = 45 + static_cast<double>(cycle.tdc_ns) * 6 * rpm / 1e9;
    EXPECT_NEAR(wrap_signed_deg(tdc_deg - 100, 360), 0, 0.5) << "cycle " << cycle.number;
  }
}

}  // namespace
}  // namespace cw
