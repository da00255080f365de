#include "sync/cam_match.hpp"

#include <optional>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/engine_times.hpp"

namespace cw {
namespace {

using test::cam_with;

// The pattern's edges over `span`, each `late_deg` late.
std::vector<LocatedEdge> seen(const CamPattern& pattern, AngleSpan span, double late_deg, double cycle_deg = 720) {
  std::vector<LocatedEdge> edges;
  for (double base = -cycle_deg; base < span.to_deg + cycle_deg; base += cycle_deg) {
    for (const CamEdge& edge : pattern.edges) {
      const double deg = base + edge.angle_deg + late_deg;
      if (deg >= span.from_deg && deg < span.to_deg) {
        edges.push_back({deg, 0, edge.edge, 0.01});
      }
    }
  }
  return edges;
}

ShiftRange shifts(double least_deg, double most_deg) {
  return {least_deg, most_deg, 0};
}

constexpr AngleSpan one_cycle{0, 720};

TEST(CamMatch, a_late_cam_has_a_positive_shift_and_an_early_one_a_negative) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  for (const double late_deg : {-30.0, -7.5, -0.3, 0.0, 0.3, 7.5, 30.0}) {
    const CamMatch match = match_cam(cam, 720, seen(cam, one_cycle, late_deg), one_cycle, shifts(-60, 60));
    EXPECT_EQ(match.matched, 4) << late_deg;
    EXPECT_EQ(match.mismatches(), 0) << late_deg;
    EXPECT_NEAR(match.shift_deg, late_deg, 1e-9);
  }
}

TEST(CamMatch, each_missing_edge_is_named_by_its_angle_with_the_shift) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  for (const double late_deg : {-9.0, 0.0, 9.0}) {
    for (std::size_t away = 0; away < 4; ++away) {
      std::vector<LocatedEdge> edges = seen(cam, one_cycle, late_deg);
      edges.erase(edges.begin() + static_cast<std::ptrdiff_t>(away));
      const CamMatch match = match_cam(cam, 720, edges, one_cycle, shifts(-60, 60));
      ASSERT_EQ(match.missing_deg.size(), 1U) << late_deg << ", edge " << away;
      EXPECT_NEAR(match.missing_deg[0], cam.edges[away].angle_deg + late_deg, 1e-9);
      EXPECT_TRUE(match.surplus.empty());
      EXPECT_NEAR(match.shift_deg, late_deg, 1e-9);
    }
  }
}

TEST(CamMatch, an_edge_that_the_pattern_has_not_is_surplus) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  for (double at_deg = 5; at_deg < 720; at_deg += 11) {
    std::vector<LocatedEdge> edges = seen(cam, one_cycle, 3);
    const bool apart = std::all_of(edges.begin(), edges.end(),
                                   [&](const LocatedEdge& edge) { return std::fabs(edge.angle_deg - at_deg) > 20; });
    if (!apart) {
      continue;
    }
    edges.push_back({at_deg, 77, ActiveEdge::falling, 0.01});
    std::sort(edges.begin(), edges.end(),
              [](const LocatedEdge& a, const LocatedEdge& b) { return a.angle_deg < b.angle_deg; });
    const CamMatch match = match_cam(cam, 720, edges, one_cycle, shifts(-60, 60));
    ASSERT_EQ(match.surplus.size(), 1U) << at_deg;
    EXPECT_EQ(match.surplus[0].t_ns, 77) << at_deg;
    EXPECT_TRUE(match.missing_deg.empty()) << at_deg;
    EXPECT_NEAR(match.shift_deg, 3, 1e-9) << at_deg;
  }
}

TEST(CamMatch, nothing_seen_means_all_missing_and_no_shift) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  const CamMatch match = match_cam(cam, 720, {}, one_cycle, shifts(-60, 60));
  EXPECT_EQ(match.matched, 0);
  EXPECT_EQ(match.missing_deg.size(), 4U);
  EXPECT_EQ(match.shift_deg, 0);
}

TEST(CamMatch, an_edge_at_the_very_end_of_the_span_is_not_missed) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  const AngleSpan span{100, 604};
  const CamMatch match = match_cam(cam, 720, seen(cam, {100, 590}, 0), span, shifts(-60, 60));
  EXPECT_TRUE(match.missing_deg.empty()) << "602 may still come within its scatter";
}

TEST(CamMatch, both_edges_of_a_half_moon_are_matched_by_polarity) {
  CamPattern cam = cam_with("half moon", {});
  cam.edges = {{100, ActiveEdge::rising}, {460, ActiveEdge::falling}};
  const CamMatch right = match_cam(cam, 720, seen(cam, one_cycle, 4), one_cycle, shifts(-20, 20));
  EXPECT_EQ(right.matched, 2);
  EXPECT_NEAR(right.shift_deg, 4, 1e-9);
  CamPattern turned = cam;
  turned.edges = {{100, ActiveEdge::falling}, {460, ActiveEdge::rising}};
  const CamMatch wrong = match_cam(cam, 720, seen(turned, one_cycle, 4), one_cycle, shifts(-20, 20));
  EXPECT_EQ(wrong.matched, 0);
  EXPECT_EQ(wrong.surplus.size(), 2U);
}

TEST(CamMatch, a_phased_cam_that_moves_within_the_cycle_matches_edge_by_edge) {
  CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  cam.phaser_min_deg = -40;
  std::vector<LocatedEdge> edges = seen(cam, one_cycle, 0);
  double shift_deg = -4;
  for (LocatedEdge& edge : edges) {
    edge.angle_deg += shift_deg;
    shift_deg -= 8;
  }
  const CamMatch match = match_cam(cam, 720, edges, one_cycle, allowed_shifts(cam, 0));
  EXPECT_EQ(match.matched, 4);
  EXPECT_EQ(match.mismatches(), 0);
  EXPECT_NEAR(match.shift_deg, -16, 1);
}

TEST(CamMatch, the_file_allows_the_phasers_travel_and_its_tolerance_on_both_sides) {
  CamPattern cam = cam_with("intake", {62, 242});
  cam.phaser_min_deg = -40;
  cam.tolerance_deg = 8;
  const ShiftRange allowed = allowed_shifts(cam, 5);
  EXPECT_DOUBLE_EQ(allowed.least_deg, -53);
  EXPECT_DOUBLE_EQ(allowed.most_deg, 13);
}

TEST(CamMatch, scatter_never_reaches_half_way_to_the_next_edge) {
  CamPattern cam = cam_with("close", {0, 6, 300});
  cam.tolerance_deg = 8;
  EXPECT_LT(edge_scatter_deg(cam, 720), 3);
  EXPECT_DOUBLE_EQ(edge_scatter_deg(cam_with("apart", {0, 300}), 720), 8);
}

// ---- votes

// What cams seen from `start_deg` over `cycles` vote for, when the truth is that place `place` of two was taken.
std::optional<int> vote(const std::vector<CamPattern>& cams, double start_deg, double span_deg, int place,
                        double late_deg = 0, int places = 2, double cycle_deg = 720) {
  const double turn_deg = cycle_deg / places;
  std::vector<std::vector<LocatedEdge>> edges;
  std::vector<CamEdges> evidence;
  for (const CamPattern& cam : cams) {
    edges.push_back(seen(cam, {start_deg, start_deg + span_deg}, late_deg, cycle_deg));
    for (LocatedEdge& edge : edges.back()) {
      edge.angle_deg -= place * turn_deg;
    }
  }
  for (std::size_t i = 0; i < cams.size(); ++i) {
    evidence.push_back({&cams[i], edges[i]});
  }
  const double from_deg = start_deg - place * turn_deg;
  return vote_for_place(evidence, cycle_deg, turn_deg, places, {from_deg, from_deg + span_deg}, 0);
}

TEST(CamVote, finds_the_right_turn_from_every_start) {
  for (double start_deg = 720; start_deg < 1440; start_deg += 7) {
    for (const int place : {0, 1}) {
      EXPECT_EQ(vote({cam_with("intake", {62, 242, 332, 602})}, start_deg, 1440, place, 2.5), place) << start_deg;
    }
  }
}

TEST(CamVote, tells_every_place_of_an_even_wheel_apart) {
  // 12 even teeth over 720: 24 places of 30 degrees, and the cam must be inside its tolerance of one of them only.
  CamPattern cam = cam_with("cam", {40, 260, 375, 610});
  cam.tolerance_deg = 6;
  for (int place = 0; place < 24; ++place) {
    EXPECT_EQ(vote({cam}, 800, 1440, place, 0, 24), place);
  }
}

TEST(CamVote, says_nothing_where_the_pattern_looks_the_same_in_both_turns) {
  for (double start_deg = 720; start_deg < 1440; start_deg += 30) {
    EXPECT_EQ(vote({cam_with("alike", {80, 440})}, start_deg, 2160, 0), std::nullopt);
  }
}

TEST(CamVote, one_odd_edge_never_decides) {
  // One edge seen once: at the other place it would be surplus, but one contradiction is not enough.
  EXPECT_EQ(vote({cam_with("single", {100})}, 720, 360, 0), std::nullopt);
  EXPECT_EQ(vote({cam_with("single", {100})}, 720, 720, 0), std::nullopt);
  EXPECT_EQ(vote({cam_with("single", {100})}, 720, 3 * 720, 0), 0);
  EXPECT_EQ(vote({cam_with("single", {100})}, 720, 3 * 720, 1), 1);
}

TEST(CamVote, is_nothing_when_two_cams_disagree) {
  const CamPattern intake = cam_with("intake", {62, 242, 332, 602});
  const CamPattern exhaust = cam_with("exhaust", {100, 200, 500});
  const AngleSpan span{720, 720 + 1440};
  const std::vector<LocatedEdge> right = seen(intake, span, 0);
  const std::vector<LocatedEdge> also_right = seen(exhaust, span, 0);
  const std::vector<LocatedEdge> a_turn_out = seen(exhaust, span, 360);
  const std::vector<CamEdges> agree = {{&intake, right}, {&exhaust, also_right}};
  const std::vector<CamEdges> differ = {{&intake, right}, {&exhaust, a_turn_out}};
  EXPECT_EQ(vote_for_place(agree, 720, 360, 2, span, 0), 0);
  EXPECT_EQ(vote_for_place(differ, 720, 360, 2, span, 0), std::nullopt);
}

TEST(CamVote, a_cam_that_can_not_tell_leaves_the_vote_to_the_other) {
  EXPECT_EQ(vote({cam_with("alike", {80, 440}), cam_with("intake", {62, 242, 332, 602})}, 720, 1440, 1), 1);
}

TEST(CamVote, is_nothing_without_a_cam) {
  EXPECT_EQ(vote_for_place({}, 720, 360, 2, {0, 1440}, 0), std::nullopt);
}

}  // namespace
}  // namespace cw
