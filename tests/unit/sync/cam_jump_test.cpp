#include "sync/cam_jump.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <utility>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

constexpr int teeth = 17;  // even, 34 in a turn of the cam

struct Turns {
  std::vector<double> crank;  // in teeth turned
  std::vector<double> cam;
};

// 20 turns of a cam with edges at these teeth; from the tenth on, `late` teeth late.
Turns turns(const std::vector<double>& cam_at, double late) {
  Turns run;
  for (int i = 0; i < 20 * 2 * teeth; ++i) {
    run.crank.push_back(i);
  }
  for (int turn = 0; turn < 20; ++turn) {
    for (const double at : cam_at) {
      run.cam.push_back(turn * 2 * teeth + at + (turn >= 10 ? late : 0));
    }
  }
  return run;
}

bool jumped(const Turns& run, int cam_edges) {
  Engine engine = test::n_minus_m(teeth, 0);
  CamPattern cam;
  for (int i = 0; i < cam_edges; ++i) {
    cam.edges.push_back({100.0 * i + 20, ActiveEdge::falling});
  }
  engine.cams.push_back(cam);
  CamJump jump(engine, 360.0 / teeth);
  // 200 rpm, swinging by a tenth four times a turn.
  const auto ns_at = [](double at) { return std::llround(17.6e6 * (at + 0.1 * std::sin(at * 1.48))); };
  std::vector<std::pair<double, bool>> edges;
  for (const double at : run.crank) {
    edges.emplace_back(at, true);
  }
  for (const double at : run.cam) {
    edges.emplace_back(at, false);
  }
  std::stable_sort(edges.begin(), edges.end());
  for (const auto& [at, crank] : edges) {
    crank ? jump.crank_edge(ns_at(at)) : jump.cam_edge(0, ns_at(at));
  }
  return jump.jumped();
}

TEST(CamJump, of_a_tooth_of_the_cam_gear_is_seen_with_one_cam_edge_and_with_several) {
  const double one_of_38 = 2.0 * teeth / 38;
  for (const double late : {one_of_38, -one_of_38, 2 * one_of_38, 0.7}) {
    EXPECT_TRUE(jumped(turns({5.3}, late), 1)) << late;
    EXPECT_TRUE(jumped(turns({5.3, 14.1, 22.8}, late), 3)) << late;
  }
}

TEST(CamJump, is_not_seen_in_a_sound_run_nor_in_one_that_moves_by_less_than_half_a_tooth) {
  EXPECT_FALSE(jumped(turns({5.3}, 0), 1));
  EXPECT_FALSE(jumped(turns({5.3, 14.1, 22.8}, 0), 3));
  EXPECT_FALSE(jumped(turns({5.3}, 0.3), 1));
}

TEST(CamJump, is_not_seen_when_a_cam_edge_is_missed_or_one_is_too_many) {
  for (const int edges : {1, 3}) {
    const Turns sound = turns(edges == 1 ? std::vector{5.3} : std::vector{5.3, 14.1, 22.8}, 0);
    for (std::size_t i = 0; i < sound.cam.size(); ++i) {
      Turns missed = sound;
      missed.cam.erase(missed.cam.begin() + static_cast<std::ptrdiff_t>(i));
      EXPECT_FALSE(jumped(missed, edges)) << edges << " edges, without " << i;
    }
    for (double at = 300; at < 340; at += 0.9) {
      Turns more = sound;
      more.cam.push_back(at);
      EXPECT_FALSE(jumped(more, edges)) << edges << " edges, one more at " << at;
    }
  }
}

TEST(CamJump, is_not_seen_when_a_crank_edge_is_missed_or_one_is_too_many) {
  const Turns sound = turns({5.3}, 0);
  for (std::size_t i = 300; i < 340; ++i) {
    Turns missed = sound;
    missed.crank.erase(missed.crank.begin() + static_cast<std::ptrdiff_t>(i));
    EXPECT_FALSE(jumped(missed, 1)) << i;
    Turns more = sound;
    more.crank.push_back(static_cast<double>(i) + 0.4);
    EXPECT_FALSE(jumped(more, 1)) << i;
  }
}

}  // namespace
}  // namespace cw
