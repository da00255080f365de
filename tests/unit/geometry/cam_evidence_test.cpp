// What cams can decide, by cases small enough to check with a pencil.
#include "geometry/cam_evidence.hpp"

#include <gtest/gtest.h>

#include <vector>

namespace cw {
namespace {

using Angles = std::vector<double>;

CamPattern falling_cam(const Angles& angles_deg, double phaser_min_deg = 0, double tolerance_deg = 8) {
  CamPattern cam;
  for (const double angle_deg : angles_deg) {
    cam.edges.push_back({angle_deg, ActiveEdge::falling});
  }
  cam.phaser_min_deg = phaser_min_deg;
  cam.tolerance_deg = tolerance_deg;
  return cam;
}

Engine engine_with(std::vector<CamPattern> cams, int positions = 60, int missing = 2) {
  Engine engine;
  engine.crank.positions = positions;
  engine.crank.teeth = pitched_teeth(
      positions, missing > 0 ? std::vector<WheelGap>{{positions - missing, missing}} : std::vector<WheelGap>{}, 360);
  engine.cams = std::move(cams);
  return engine;
}

std::vector<bool> deciding_edges(const Engine& engine) {
  std::vector<bool> decides;
  const PositionEvidence evidence = position_evidence(engine);
  for (const CamEdgeEvidence& edge : evidence.cams.at(0).edges) {
    decides.push_back(edge.decides_turn);
  }
  return decides;
}

std::optional<double> known(const Engine& engine) {
  return known_within_deg(position_evidence(engine), engine.cycle_deg);
}

TEST(PositionEvidence, without_a_cam_ends_at_one_turn) {
  const Engine engine = engine_with({});
  EXPECT_EQ(position_evidence(engine).places, 2);
  EXPECT_EQ(position_evidence(engine).left_deg, (Angles{0, 360}));
  EXPECT_EQ(known(engine), 360);
}

TEST(PositionEvidence, of_a_single_cam_tooth_decides_the_turn) {
  const Engine engine = engine_with({falling_cam({400})});
  EXPECT_EQ(deciding_edges(engine), std::vector<bool>{true});
  EXPECT_EQ(known(engine), 720);
}

TEST(PositionEvidence, of_an_edge_whose_twin_stands_a_turn_away_decides_nothing_alone) {
  const Engine engine = engine_with({falling_cam({62, 242, 332, 602})});
  EXPECT_EQ(deciding_edges(engine), (std::vector<bool>{true, false, true, false}));
  EXPECT_EQ(position_evidence(engine).cams[0].edges[1].confused_with, 3U);
  EXPECT_TRUE(position_evidence(engine).cams[0].pattern_decides_turn);
  EXPECT_EQ(known(engine), 720);
}

TEST(PositionEvidence, of_a_pattern_that_repeats_each_turn_decides_nothing) {
  const Engine engine = engine_with({falling_cam({10, 370})});
  EXPECT_FALSE(position_evidence(engine).cams[0].pattern_decides_turn);
  EXPECT_EQ(known(engine), 360);
}

TEST(PositionEvidence, shrinks_as_phaser_travel_lets_an_edge_reach_its_twin) {
  // 420 - 60 = 360: the two edges are 60 apart modulo a turn. Fixed, 2 * 8 = 16 < 60; with 50 of travel 66 > 60.
  EXPECT_EQ(deciding_edges(engine_with({falling_cam({0, 420})})), (std::vector<bool>{true, true}));
  EXPECT_EQ(deciding_edges(engine_with({falling_cam({0, 420}, -50)})), (std::vector<bool>{false, false}));
  // Together they still decide: no one phase puts 0 and 420 onto 420 and 0 (that asks for +60 and -60 at once).
  EXPECT_EQ(known(engine_with({falling_cam({0, 420}, -50)})), 720);
}

TEST(PositionEvidence, of_both_edges_of_a_half_moon_decides_by_polarity) {
  CamPattern cam = falling_cam({565});
  cam.edges.insert(cam.edges.begin(), {205, ActiveEdge::rising});
  EXPECT_EQ(deciding_edges(engine_with({cam})), (std::vector<bool>{true, true}));
}

TEST(PositionEvidence, counts_windows_that_just_touch_as_confusable) {
  // Edges 16 apart modulo a turn, tolerance 8 each: the windows meet in one point.
  EXPECT_EQ(deciding_edges(engine_with({falling_cam({0, 376})})), (std::vector<bool>{false, false}));
  EXPECT_EQ(deciding_edges(engine_with({falling_cam({0, 376.01})})), (std::vector<bool>{true, true}));
}

TEST(PositionEvidence, adds_up_over_cams_that_leave_different_places) {
  // 3 even teeth: six places. An index each turn leaves two, the cam tooth one; the index alone can't tell the turns.
  CamPattern index = falling_cam({20, 380});
  const CamPattern cam = falling_cam({100});
  EXPECT_EQ(position_evidence(engine_with({}, 3, 0)).places, 6);
  EXPECT_EQ(known(engine_with({}, 3, 0)), std::nullopt);
  EXPECT_EQ(known(engine_with({index}, 3, 0)), 360);
  EXPECT_EQ(known(engine_with({index, cam}, 3, 0)), 720);
}

TEST(PositionEvidence, of_a_tolerance_wider_than_the_teeth_can_not_tell_them_apart) {
  // 120 even teeth, 3 apart: windows of 2 * 8 reach over five of them each way.
  const Engine wide = engine_with({falling_cam({400})}, 120, 0);
  EXPECT_EQ(known(wide), std::nullopt);
  EXPECT_TRUE(position_evidence(wide).cams[0].edges[0].decides_turn);
  EXPECT_FALSE(position_evidence(wide).cams[0].edges[0].decides_place);
  EXPECT_EQ(position_evidence(wide).left_deg.size(), 11U);
  EXPECT_EQ(known(engine_with({falling_cam({400}, 0, 1.4)}, 120, 0)), 720);
}

TEST(PositionEvidence, notes_windows_of_neighbours_that_meet) {
  const PositionEvidence apart = position_evidence(engine_with({falling_cam({100, 130})}));
  EXPECT_FALSE(apart.cams[0].edges[0].overlaps_next);
  const PositionEvidence meeting = position_evidence(engine_with({falling_cam({100, 130}, -40)}));
  EXPECT_TRUE(meeting.cams[0].edges[0].overlaps_next);
  EXPECT_FALSE(meeting.cams[0].edges[1].overlaps_next);
}

TEST(PositionEvidence, of_a_cam_that_may_be_anywhere_decides_nothing) {
  EXPECT_EQ(known(engine_with({falling_cam({10, 100}, -180, 90)})), 360);
}

TEST(PositionEvidence, needs_no_cam_where_the_wheel_is_on_the_cam_or_the_cycle_is_one_turn) {
  Engine on_cam = engine_with({});
  on_cam.crank.period_deg = 720;
  on_cam.crank.teeth = pitched_teeth(24, {{23, 1}}, 720);
  EXPECT_EQ(known(on_cam), 720);
  Engine two_stroke = engine_with({});
  two_stroke.cycle_deg = 360;
  EXPECT_EQ(known(two_stroke), 360);
}

}  // namespace
}  // namespace cw
