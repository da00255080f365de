#include "sync/gap_sides.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <utility>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::n_minus_m;

Engine firing(Engine engine, int cylinders) {
  std::vector<int> order;
  for (int i = 1; i <= cylinders; ++i) {
    order.push_back(i);
  }
  engine.cylinders = cylinders;
  engine.firing_angles_deg = even_firing_angles(order, engine.cycle_deg);
  return engine;
}

// Angles of the edges of N-M over `turns` turns with a reluctor wired backwards: the middle of each space, and in the gap
// `crossing` pitches after the last tooth (wheel_look.hpp).
std::vector<double> backwards_deg(int teeth, int missing, double crossing, int turns) {
  const double pitch = 360.0 / teeth;
  std::vector<double> deg;
  for (int turn = 0; turn < turns; ++turn) {
    for (int tooth = 0; tooth < teeth - missing; ++tooth) {
      const bool last = tooth + 1 == teeth - missing;
      deg.push_back(360.0 * turn + (tooth + (last ? crossing : 0.5)) * pitch);
    }
  }
  return deg;
}

std::vector<double> rightly_deg(int teeth, int missing, int turns, double late_after_gap = 0) {
  const double pitch = 360.0 / teeth;
  std::vector<double> deg;
  for (int turn = 0; turn < turns; ++turn) {
    for (int tooth = 0; tooth < teeth - missing; ++tooth) {
      deg.push_back(360.0 * turn + (tooth + (tooth == 0 ? late_after_gap : 0)) * pitch);
    }
  }
  return deg;
}

// So many edges from the tenth on, as they pass.
template <typename NsAt>
std::vector<std::int64_t> passing(const std::vector<double>& deg, std::size_t count, NsAt ns_at) {
  std::vector<std::int64_t> t_ns;
  for (std::size_t i = 10; i < 10 + count; ++i) {
    t_ns.push_back(std::llround(ns_at(deg[i])));
  }
  return t_ns;
}

GapSides look(const Engine& engine, const std::vector<std::int64_t>& t_ns) {
  return look_at_gap_sides(t_ns, tooth_cycle(engine), ripple_orders(engine));
}

TEST(RippleOrders, are_the_firings_and_their_multiples) {
  EXPECT_EQ(ripple_orders(firing(n_minus_m(60, 2), 8)), (std::vector<double>{4, 8, 12}));
  EXPECT_EQ(ripple_orders(firing(n_minus_m(60, 2), 4)), (std::vector<double>{2, 4, 6, 8}));
  EXPECT_EQ(ripple_orders(firing(n_minus_m(60, 2), 1)).size(), 16U);                // 0.5, 1 ... 8
  EXPECT_EQ(ripple_orders(firing(n_minus_m(12, 1), 8)), (std::vector<double>{4}));  // 8 waves need more than 11 teeth
  Engine uneven = firing(n_minus_m(60, 2), 2);
  uneven.firing_angles_deg = {0, 270};
  EXPECT_EQ(ripple_orders(uneven).front(), 0.5);
}

// How often it was said, over many starts.
struct Said {
  int off = 0;
  int in_place = 0;
  int all = 0;
  double off_least = 10;
  double off_most = -10;
};

// The published record has four waves a turn at 150 rpm: a V8's.
Said said_at_published_cranking(int teeth, int missing, const std::vector<double>& deg, bool before_gap) {
  const Engine engine = firing(n_minus_m(teeth, missing), 8);
  Said said;
  for (double phase = 0; phase < 6.28; phase += 0.13) {
    const std::size_t two_turns = 2U * static_cast<std::size_t>(teeth - missing) + 1;
    const GapSides now = look(engine, passing(deg, two_turns, test::cranking(phase)));
    if (now.verdict == GapSidesVerdict::cannot_tell) {
      continue;  // the file does not explain the edges: the look at the wheel says so
    }
    ++said.all;
    said.in_place += now.verdict == GapSidesVerdict::in_place ? 1 : 0;
    if (now.verdict == GapSidesVerdict::off) {
      ++said.off;
      EXPECT_EQ(now.before_gap, before_gap) << teeth << "-" << missing << " phase " << phase;
      said.off_least = std::min(said.off_least, now.off_pitches);
      said.off_most = std::max(said.off_most, now.off_pitches);
    }
  }
  return said;
}

const std::vector<std::pair<int, int>> wheels = {{60, 2}, {60, 3}, {36, 1}, {36, 2}};

TEST(GapSides, finds_teeth_in_place_at_published_cranking) {
  for (const auto& [teeth, missing] : wheels) {
    const Said said = said_at_published_cranking(teeth, missing, rightly_deg(teeth, missing, 4), true);
    EXPECT_EQ(said.off, 0) << teeth << "-" << missing;
    EXPECT_GT(said.in_place, said.all / 2) << teeth << "-" << missing;
  }
}

// Crossing half a pitch after the last tooth is where a tooth would be: that can't be told.
TEST(GapSides, finds_the_edge_of_a_reluctor_wired_backwards_near_either_end_of_the_gap_at_published_cranking) {
  for (const auto& [teeth, missing] : wheels) {
    for (const double off : {-0.25, 0.25, 0.35}) {
      for (const bool early : {true, false}) {
        const double crossing = early ? 0.5 + off : missing + 0.5 - off;
        const Said said = said_at_published_cranking(teeth, missing, backwards_deg(teeth, missing, crossing, 4), early);
        EXPECT_EQ(said.in_place, 0) << teeth << "-" << missing << " " << off;
        EXPECT_GE(said.off, said.all / 2) << teeth << "-" << missing << " " << off;
        // In pitches at the mean speed around, which the speed in the gap may be far from.
        EXPECT_NEAR(said.off_least, early ? off : -off, 0.25);
        EXPECT_NEAR(said.off_most, early ? off : -off, 0.25);
      }
    }
  }
}

TEST(GapSides, allows_a_tooth_beside_the_gap_to_be_a_little_off) {
  const Engine engine = firing(n_minus_m(60, 2), 4);
  const auto verdict = [&](double late) {
    return look(engine, passing(rightly_deg(60, 2, 4, late), 117, test::steady(800))).verdict;
  };
  EXPECT_EQ(verdict(0.04), GapSidesVerdict::in_place);
  EXPECT_EQ(verdict(0.12), GapSidesVerdict::off);
  EXPECT_EQ(verdict(0.3), GapSidesVerdict::cannot_tell);  // no ripple at this speed explains it: the file does not fit
}

TEST(GapSides, cannot_tell_without_gaps_or_with_few_teeth_between_them) {
  const auto verdict = [](const Engine& engine, int count) {
    std::vector<std::int64_t> t_ns;
    for (const test::Passage& tooth : test::passages(tooth_cycle(engine), 0, count, test::steady(800))) {
      t_ns.push_back(tooth.t_ns);
    }
    return look(engine, t_ns).verdict;
  };
  EXPECT_EQ(verdict(firing(n_minus_m(12, 0), 4), 60), GapSidesVerdict::cannot_tell);
  EXPECT_EQ(verdict(firing(n_minus_m(4, 1), 4), 7), GapSidesVerdict::cannot_tell);
}

TEST(GapSides, is_unclear_while_a_crank_starts_from_rest_too_fast_to_tell) {
  const Engine engine = firing(n_minus_m(12, 1), 4);
  const GapSides now = look(engine, passing(rightly_deg(12, 1, 3), 23, test::speeding_up(40, 2500)));
  EXPECT_NE(now.verdict, GapSidesVerdict::off);
}

}  // namespace
}  // namespace cw
