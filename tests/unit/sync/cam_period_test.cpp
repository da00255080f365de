#include "sync/cam_period.hpp"

#include <optional>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

// Even teeth and a cam with edges at these places, in teeth of the file.
Engine even_with_cam(int teeth, int edges) {
  Engine engine = test::n_minus_m(teeth, 0);
  CamPattern cam;
  for (int i = 0; i < edges; ++i) {
    cam.edges.push_back({100.0 * i + 20, ActiveEdge::falling});
  }
  engine.cams.push_back(cam);
  return engine;
}

// What is told when the cam turns once in `teeth_a_turn` teeth, for 30 turns; its edges at these shares of a turn.
std::optional<int> told(CamPeriod& period, double pitch_deg, double teeth_a_turn, const std::vector<double>& shares) {
  std::optional<int> told;
  for (int turn = 0; turn < 30; ++turn) {
    for (const double share : shares) {
      const auto now = period.cam_edge(0, (turn + share) * teeth_a_turn * pitch_deg);
      told = told ? told : now;
    }
  }
  return told;
}

TEST(CamPeriod, tells_a_wrong_number_of_even_teeth_and_is_silent_on_the_right_one) {
  CamPeriod period(even_with_cam(15, 1), 24);
  EXPECT_EQ(told(period, 24, 30, {0}), std::nullopt);
  EXPECT_FALSE(period.contradicts());
  period.forget();
  EXPECT_EQ(told(period, 24, 24, {0}), 24);
  EXPECT_TRUE(period.contradicts());
}

// 38 teeth a cam turn by the file, 26 seen: near two thirds, which one edge too many of two would give; but that is 25 1/3.
TEST(CamPeriod, takes_a_turn_near_two_thirds_of_the_files_for_another_wheel) {
  const double pitch_deg = 720.0 / 38;
  CamPeriod period(even_with_cam(19, 2), pitch_deg);
  EXPECT_EQ(told(period, pitch_deg, 26, {0, 0.5}), 26);
}

TEST(CamPeriod, takes_a_cam_that_always_lacks_an_edge_for_what_it_is) {
  const double pitch_deg = 720.0 / 24;
  CamPeriod period(even_with_cam(12, 3),
                   pitch_deg);  // three edges, one of which never comes: they seem 3/2 turns apart
  EXPECT_EQ(told(period, pitch_deg, 24, {0, 0.5}), std::nullopt);
  EXPECT_FALSE(period.contradicts());
}

TEST(CamPeriod, contradicts_after_two_turns_that_agree) {
  CamPeriod period(even_with_cam(15, 1), 24);
  for (int turn = 0; turn < 3; ++turn) {
    period.cam_edge(0, turn * 24 * 24.0);
    EXPECT_FALSE(period.contradicts()) << turn;
  }
  period.cam_edge(0, 3 * 24 * 24.0);
  EXPECT_TRUE(period.contradicts());
  period.begin();
  EXPECT_FALSE(period.contradicts());
}

}  // namespace
}  // namespace cw
