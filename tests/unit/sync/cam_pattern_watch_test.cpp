#include "sync/cam_pattern_watch.hpp"

#include <cmath>
#include <functional>
#include <optional>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/engine_times.hpp"

namespace cw {
namespace {

using test::cam_with;

constexpr OpenPlaces either_turn{360, 0, 2};
constexpr double ns_a_cycle = 120e6;  // 1,000 rpm

Engine engine_with(const std::vector<double>& falling_deg) {
  Engine engine = test::two_cam_engine();
  engine.cams = {cam_with("intake", falling_deg)};
  return engine;
}

// What is said in `cycles` cycles, edge i of cycle n at `angle(n, i)`; nothing comes where that is absent.
using AngleOf = std::function<std::optional<double>(int, std::size_t)>;
std::vector<CamPatternOpinion> said_of(const Engine& engine, int cycles, std::size_t edges, const AngleOf& angle,
                                       double uncertainty_deg = 0.1) {
  CamPatternWatch watch(engine);
  std::vector<CamPatternOpinion> said;
  for (int cycle = 0; cycle < cycles; ++cycle) {
    for (std::size_t i = 0; i < edges; ++i) {
      if (const std::optional<double> deg = angle(cycle, i); deg && watch.watches(0)) {
        const double at_deg = cycle * 720 + *deg;
        watch.add(0, {at_deg, std::llround(at_deg / 720 * ns_a_cycle), ActiveEdge::falling, uncertainty_deg}, true);
      }
    }
    if (const auto news = watch.look(0, (cycle + 1) * 720.0, either_turn)) {
      said.push_back(*news);
    }
  }
  return said;
}

AngleOf always(std::vector<double> angles_deg) {
  return [angles_deg](int, std::size_t i) { return std::optional(angles_deg[i]); };
}

TEST(CamPatternWatch, tells_another_pattern_once_after_six_cycles_and_three_seconds) {
  const Engine engine = engine_with({62, 242, 332, 602});
  const auto said = said_of(engine, 60, 3, always({40, 300, 410}));
  ASSERT_EQ(said.size(), 1U);
  EXPECT_EQ(said[0].verdict, CamPatternVerdict::other_pattern);
  EXPECT_GE(said[0].t_ns, 3'000'000'000);
  EXPECT_LE(said[0].t_ns, 3'300'000'000);
  ASSERT_EQ(said[0].seen.size(), 3U);
  EXPECT_NEAR(said[0].seen[1].angle_deg, 300, 1e-9);
  EXPECT_TRUE(said_of(engine, 25, 3, always({40, 300, 410})).empty());
}

TEST(CamPatternWatch, says_nothing_of_the_right_cam_in_either_turn_shifted_or_with_one_edge_off) {
  const Engine engine = engine_with({62, 242, 332, 602});
  EXPECT_TRUE(said_of(engine, 60, 4, always({62, 242, 332, 602})).empty());
  EXPECT_TRUE(said_of(engine, 60, 4, always({242, 422, 602, 692})).empty());  // a turn on
  EXPECT_TRUE(said_of(engine, 60, 4, always({107, 287, 377, 647})).empty());  // a belt 45 degrees out
  EXPECT_TRUE(said_of(engine, 60, 3, always({62, 332, 602})).empty());
  EXPECT_TRUE(said_of(engine, 60, 5, always({62, 150, 242, 332, 602})).empty());
}

TEST(CamPatternWatch, says_nothing_of_a_cam_whose_edges_do_not_come_back_or_are_not_known_well) {
  const Engine engine = engine_with({62, 242, 332, 602});
  const AngleOf now_and_then = [](int cycle, std::size_t i) {
    return cycle % 5 == 0 && i == 1 ? std::nullopt : std::optional(40 + 200.0 * static_cast<double>(i));
  };
  EXPECT_TRUE(said_of(engine, 100, 3, now_and_then).empty());
  const AngleOf wandering = [](int cycle, std::size_t i) {
    return std::optional(100 + 150.0 * static_cast<double>(i) + (cycle % 2 == 0 ? 0 : 30));
  };
  EXPECT_TRUE(said_of(engine, 100, 3, wandering).empty());
  EXPECT_TRUE(said_of(engine, 60, 3, always({40, 300, 410}), 5).empty());
  EXPECT_TRUE(said_of(engine, 60, 0, always({})).empty());
}

TEST(CamPatternWatch, tells_the_files_pattern_turned_further_than_a_belt_jumps) {
  const auto said = said_of(engine_with({62, 242, 332, 602}), 60, 4, always({152, 332, 422, 692}));
  ASSERT_EQ(said.size(), 1U);
  EXPECT_EQ(said[0].verdict, CamPatternVerdict::turned);
  EXPECT_NEAR(said[0].rotated_deg.value_or(0), 90, 1e-9);
}

}  // namespace
}  // namespace cw
