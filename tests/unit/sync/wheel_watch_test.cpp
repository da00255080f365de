#include "sync/wheel_watch.hpp"

#include <cmath>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/engine_times.hpp"
#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::n_minus_m;
using test::steady;

std::vector<std::int64_t> turning(const Engine& engine, int count, double rpm) {
  std::vector<std::int64_t> t_ns;
  for (const test::Passage& tooth : test::passages(tooth_cycle(engine), 5, count, steady(rpm))) {
    t_ns.push_back(tooth.t_ns);
  }
  return t_ns;
}

// Everything the watch says of these edges, with a lock held or not.
std::vector<WheelOpinion> said(WheelWatch& watch, const std::vector<std::int64_t>& t_ns, bool locked = false) {
  std::vector<WheelOpinion> all;
  for (const std::int64_t t : t_ns) {
    if (watch.edge(t)) {
      if (const auto news = watch.look(locked)) {
        all.push_back(*news);
      }
    }
  }
  return all;
}

WheelWatch watch_of(const Engine& engine) {
  return {engine, tooth_cycle(engine)};
}

TEST(WheelWatch, says_once_that_the_wheel_is_another_and_which) {
  const Engine file = n_minus_m(36, 1);
  WheelWatch watch = watch_of(file);
  const auto opinions = said(watch, turning(n_minus_m(60, 2), 1000, 800));
  ASSERT_EQ(opinions.size(), 1U);
  EXPECT_EQ(opinions[0].verdict, WheelVerdict::other_wheel);
  EXPECT_EQ(opinions[0].looks_like, "60-2");
  EXPECT_EQ(opinions[0].edges, 58U);
  EXPECT_FALSE(watch.allows_lock());
  EXPECT_FALSE(watch.may_claim());
  EXPECT_FALSE(watch.confirmed());
}

TEST(WheelWatch, confirms_the_right_wheel_after_two_turns_and_then_looks_no_more) {
  const Engine file = n_minus_m(60, 2);
  WheelWatch watch = watch_of(file);
  const auto edges = turning(file, 2 * 58 + 30, 800);
  said(watch, {edges.begin(), edges.begin() + 2 * 58 - 1}, true);
  EXPECT_FALSE(watch.confirmed());
  said(watch, {edges.begin() + 2 * 58 - 1, edges.end()}, true);
  EXPECT_TRUE(watch.confirmed());
  WheelWatch longer = watch_of(file);
  const auto opinions = said(longer, turning(file, 4 * 58, 800), true);
  ASSERT_EQ(opinions.size(), 1U);
  EXPECT_EQ(opinions[0].verdict, WheelVerdict::fits);
  for (const std::int64_t t_ns : turning(file, 1000, 800)) {
    EXPECT_FALSE(longer.edge(t_ns));
  }
}

TEST(WheelWatch, leaves_even_teeth_to_the_cams) {
  EXPECT_TRUE(watch_of(n_minus_m(12, 0)).confirmed());
  EXPECT_FALSE(watch_of(n_minus_m(12, 1)).confirmed());
}

TEST(WheelWatch, says_nothing_while_a_dip_could_be_a_gap) {
  // 12-1 at 150 rpm: 33 ms a tooth.
  const Engine file = n_minus_m(60, 2);
  WheelWatch watch = watch_of(file);
  EXPECT_TRUE(said(watch, turning(n_minus_m(12, 1), 1000, 150)).empty());
  EXPECT_FALSE(watch.confirmed());
}

TEST(WheelWatch, finds_the_pattern_in_the_other_edge) {
  // One tooth of twelve is 20 degrees wide, the others 10: the falling edges are even but for one, the rising ones all.
  const Engine file = test::engine_with(listed_teeth({0, 30, 60, 90, 120, 150, 180, 210, 240, 270, 300, 340}), 12);
  const Engine even = n_minus_m(12, 0);
  WheelWatch watch = watch_of(file);
  const auto active = turning(even, 600, 800);
  const auto other = turning(file, 600, 800);
  std::vector<WheelOpinion> opinions;
  for (std::size_t i = 0; i < active.size(); ++i) {
    watch.other_edge(other[i]);
    if (watch.edge(active[i])) {
      if (const auto news = watch.look(false)) {
        opinions.push_back(*news);
      }
    }
  }
  ASSERT_EQ(opinions.size(), 1U);
  EXPECT_EQ(opinions[0].verdict, WheelVerdict::other_edge);
}

TEST(WheelWatch, finds_the_crank_pattern_on_a_cam_channel) {
  Engine file = test::two_cam_engine();
  WheelWatch watch = watch_of(file);
  Engine cam_wheel = file;
  cam_wheel.crank.teeth = listed_teeth({0, 90, 270});
  const auto crank = turning(cam_wheel, 400, 800);
  const auto cam = turning(file, 400 * 58 / 3, 800);
  std::vector<WheelOpinion> opinions;
  std::size_t next = 0;
  for (const std::int64_t t_ns : crank) {
    for (; next < cam.size() && cam[next] < t_ns; ++next) {
      watch.cam_edge(1, cam[next]);
    }
    if (watch.edge(t_ns)) {
      if (const auto news = watch.look(false)) {
        opinions.push_back(*news);
      }
    }
  }
  ASSERT_FALSE(opinions.empty());
  EXPECT_EQ(opinions.back().verdict, WheelVerdict::swapped);
  EXPECT_EQ(opinions.back().cam, 1U);
}

TEST(WheelWatch, once_it_fits_needs_long_evidence_to_say_otherwise) {
  const Engine file = n_minus_m(60, 2);
  WheelWatch watch = watch_of(file);
  ASSERT_EQ(said(watch, turning(file, 400, 800)).size(), 1U);
  std::vector<std::int64_t> other = turning(n_minus_m(36, 1), 4000, 800);
  const std::int64_t from_ns = turning(file, 400, 800).back() + 1'000'000;
  for (std::int64_t& t_ns : other) {
    t_ns += from_ns;
  }
  const auto opinions = said(watch, other);
  ASSERT_EQ(opinions.size(), 1U);
  EXPECT_EQ(opinions[0].looks_like, "36-1");
  EXPECT_GT(opinions[0].t_ns - from_ns, 5'000'000'000);
}

// 36-2 turning `turns` times from `from_deg` on, the last tooth before the gap off by `off_pitches`.
std::vector<std::int64_t> turning_off(double off_pitches, int turns, double rpm, std::int64_t from_ns) {
  std::vector<std::int64_t> t_ns;
  for (int turn = 0; turn < turns; ++turn) {
    for (int tooth = 0; tooth < 34; ++tooth) {
      const double deg = 360.0 * turn + 10 * (tooth + (tooth == 33 ? off_pitches : 0));
      t_ns.push_back(from_ns + std::llround(deg * 1e9 / (6 * rpm)));
    }
  }
  return t_ns;
}

Engine four_of(Engine engine) {
  engine.firing_angles_deg = even_firing_angles({1, 3, 4, 2}, 720);
  return engine;
}

std::int64_t after(const std::vector<std::int64_t>& t_ns, double rpm) {
  return t_ns.back() + std::llround(30e9 / (6 * rpm));  // the gap of 30 degrees
}

TEST(WheelWatch, claims_nothing_while_a_tooth_beside_the_gap_is_off_and_tells_when_it_shifts_with_speed) {
  const Engine file = four_of(n_minus_m(36, 2));
  WheelWatch watch = watch_of(file);
  const auto slow = turning_off(-0.12, 6, 250, 0);
  EXPECT_TRUE(said(watch, slow, true).empty());
  EXPECT_FALSE(watch.confirmed());
  const auto opinions = said(watch, turning_off(0.08, 6, 300, after(slow, 250)), true);
  ASSERT_FALSE(opinions.empty());
  EXPECT_EQ(opinions[0].verdict, WheelVerdict::wired_backwards);
  EXPECT_FALSE(watch.allows_lock());
  EXPECT_FALSE(watch.confirmed());
}

TEST(WheelWatch, takes_a_tooth_that_is_off_alike_at_three_times_the_speed_for_a_rough_wheel) {
  const Engine file = four_of(n_minus_m(36, 2));
  WheelWatch watch = watch_of(file);
  const auto slow = turning_off(-0.09, 6, 250, 0);
  EXPECT_TRUE(said(watch, slow, true).empty());
  EXPECT_FALSE(watch.confirmed());
  said(watch, turning_off(-0.09, 8, 900, after(slow, 250)), true);
  EXPECT_TRUE(watch.confirmed());
}

// A twin that fires once a turn: a compression in the gap is seen nowhere else, and looks like a tooth off its place.
TEST(WheelWatch, of_an_engine_slowed_once_a_turn_holds_a_claim_back_for_eight_turns_only_and_says_nothing) {
  Engine file = n_minus_m(36, 2);
  file.cylinders = 2;
  file.firing_angles_deg = {0, 360};
  WheelWatch watch = watch_of(file);
  const auto slow = turning_off(0.3, 9, 250, 0);
  EXPECT_TRUE(said(watch, slow, true).empty());
  EXPECT_FALSE(watch.confirmed());
  for (const WheelOpinion& opinion : said(watch, turning_off(0.3, 4, 250, after(slow, 250)), true)) {
    EXPECT_EQ(opinion.verdict, WheelVerdict::fits);
  }
  EXPECT_TRUE(watch.confirmed());
}

// 36-2 wired backwards (wheel_look_test): noise moves the edge in the gap so much that no pattern ever repeats.
TEST(WheelWatch, knows_a_reluctor_wired_backwards_whose_edge_in_the_gap_never_comes_at_the_same_place) {
  const Engine file = four_of(n_minus_m(36, 2));
  WheelWatch watch = watch_of(file);
  std::vector<std::int64_t> t_ns;
  for (int turn = 0; turn < 12; ++turn) {
    for (int tooth = 0; tooth < 34; ++tooth) {
      const double in_gap = tooth == 33 ? (turn % 3 - 1) * 0.7 + 1 : 0;
      t_ns.push_back(std::llround((360.0 * turn + 10 * (tooth + in_gap)) * 1e9 / (6 * 250)));
    }
  }
  const auto opinions = said(watch, t_ns, false);
  ASSERT_EQ(opinions.size(), 1U);
  EXPECT_EQ(opinions[0].verdict, WheelVerdict::wired_backwards);
}

// The crank's wire carries one edge a cycle then, and few cycles pass while cranking.
TEST(WheelWatch, tells_swapped_channels_within_eight_cycles_by_how_often_edges_come) {
  Engine file = n_minus_m(60, 2);
  CamPattern cam;
  cam.edges.push_back({100, ActiveEdge::falling});
  file.cams.push_back(cam);
  WheelWatch watch = watch_of(file);
  std::vector<WheelOpinion> opinions;
  int cycles = 0;
  for (int tooth = 0; opinions.empty() && cycles < 20; ++tooth) {
    watch.cam_edge(0, tooth * 7'000'000LL);
    if (tooth % 116 == 50) {
      ++cycles;
      const bool due = watch.edge(tooth * 7'000'000LL + 1);
      if (const auto news = due ? watch.look(false) : std::nullopt) {
        opinions.push_back(*news);
      }
    }
  }
  ASSERT_EQ(opinions.size(), 1U);
  EXPECT_EQ(opinions[0].verdict, WheelVerdict::swapped);
  EXPECT_LE(cycles, 8);
}

}  // namespace
}  // namespace cw
