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

ShiftRange found_at(double usual_deg) {
  return {-100, 100, usual_deg, true};
}

// Two belt teeth of 36 early; the phaser goes on from there by its whole travel of 40, within one cycle.
TEST(CamMatch, a_phased_cam_whose_belt_has_jumped_travels_from_where_it_was_found) {
  CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  cam.phaser_min_deg = -40;
  cam.phaser_max_deg = 0;
  cam.tolerance_deg = 6;
  std::vector<LocatedEdge> edges;
  double shift_deg = -40;
  for (const CamEdge& edge : cam.edges) {
    edges.push_back({edge.angle_deg + shift_deg, 0, edge.edge, 0.01});
    shift_deg -= 13;
  }
  EXPECT_EQ(match_cam(cam, 720, edges, {-60, 660}, found_at(-40)).mismatches(), 0);
  EXPECT_GT(match_cam(cam, 720, edges, {-60, 660}, shifts(-100, 100)).mismatches(), 0);
}

// An index once a turn: tolerance 1 degree about its place, found at 0.7; its two edges of a cycle scatter by 0.8 about 0.
TEST(CamMatch, two_edges_on_either_side_of_their_common_shift_are_both_matched) {
  CamPattern index = cam_with("index", {30, 390});
  index.tolerance_deg = 1;
  const std::vector<LocatedEdge> edges = {{30.8, 0, index.edges[0].edge, 0.01}, {389.2, 0, index.edges[0].edge, 0.01}};
  const CamMatch match = match_cam(index, 720, edges, one_cycle, found_at(0.7));
  EXPECT_EQ(match.matched, 2);
  EXPECT_EQ(match.mismatches(), 0);
  EXPECT_NEAR(match.shift_deg, 0, 1e-9);
}

TEST(CamMatch, a_missing_edge_is_named_where_the_others_would_have_it_whatever_shift_was_tried) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  std::vector<LocatedEdge> edges = seen(cam, one_cycle, 3);
  edges.erase(edges.begin() + 2);
  for (const double usual_deg : {-4.0, 0.0, 3.0, 8.0}) {
    const CamMatch match = match_cam(cam, 720, edges, one_cycle, found_at(usual_deg));
    ASSERT_EQ(match.missing_deg.size(), 1U) << usual_deg;
    EXPECT_NEAR(match.missing_deg[0], 335, 1e-9) << usual_deg;
  }
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

// An edge weighs 1 / (0.05^2 + u^2), so with u = 0.12 as 1 / 0.13^2. What all edges share is not averaged away.
TEST(CamMatch, uncertainty_of_the_shift_is_that_of_its_edges_however_many) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  for (const std::size_t count : {1U, 2U, 4U}) {
    std::vector<LocatedEdge> edges = seen(cam, one_cycle, 3);
    edges.resize(count);
    for (LocatedEdge& edge : edges) {
      edge.uncertainty_deg = 0.12;
    }
    const CamMatch match = match_cam(cam, 720, edges, one_cycle, shifts(-60, 60));
    EXPECT_EQ(match.matched, static_cast<int>(count));
    EXPECT_NEAR(match.uncertainty_deg, 0.13, 1e-9);
  }
}

// Weights 1 / 0.05^2 = 400 and 1 / 0.13^2 = 59.17: of the shifts 0 and 1 the mean is 59.17 / 459.17 = 0.1289, and
// sqrt(2 / 459.17) = 0.0660.
TEST(CamMatch, the_surer_edge_counts_for_more) {
  const CamPattern cam = cam_with("two", {100, 400});
  const std::vector<LocatedEdge> edges = {{100, 0, ActiveEdge::falling, 0}, {401, 0, ActiveEdge::falling, 0.12}};
  const CamMatch match = match_cam(cam, 720, edges, one_cycle, shifts(-60, 60));
  EXPECT_NEAR(match.shift_deg, 0.1289, 1e-4);
  EXPECT_NEAR(match.uncertainty_deg, 0.0660, 1e-4);
}

TEST(CamMatch, of_two_edges_near_one_expected_the_farther_is_surplus) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  struct Pair {
    double first_deg, second_deg, surplus_deg;
  };
  for (const Pair& pair : {Pair{60, 63, 60}, Pair{61, 65, 65}}) {
    std::vector<LocatedEdge> edges = seen(cam, one_cycle, 0);
    edges[0].angle_deg = pair.first_deg;
    edges.insert(edges.begin() + 1, {pair.second_deg, 0, ActiveEdge::falling, 0.01});
    const CamMatch match = match_cam(cam, 720, edges, one_cycle, shifts(-60, 60));
    EXPECT_EQ(match.matched, 4);
    EXPECT_TRUE(match.missing_deg.empty());
    ASSERT_EQ(match.surplus.size(), 1U) << pair.surplus_deg;
    EXPECT_EQ(match.surplus[0].angle_deg, pair.surplus_deg);
  }
}

// The pattern 30 degrees late, and `odd` edges besides, between 105 and 235, where it has none.
std::vector<LocatedEdge> late_with_noise(const CamPattern& cam, AngleSpan span, int odd) {
  std::vector<LocatedEdge> edges = seen(cam, span, 30);
  for (int i = 0; i < odd; ++i) {
    edges.push_back({span.from_deg + 105 + 130.0 * i / odd, 0, ActiveEdge::falling, 0.01});
  }
  std::sort(edges.begin(), edges.end(),
            [](const LocatedEdge& a, const LocatedEdge& b) { return a.angle_deg < b.angle_deg; });
  return edges;
}

// Four edges a cycle: more than 8 + 4 x 4 = 24 in one are a flood.
TEST(CamMatch, a_flood_of_edges_is_not_searched_for_a_shift) {
  const CamPattern cam = cam_with("intake", {62, 242, 332, 602});
  const CamMatch noisy = match_cam(cam, 720, late_with_noise(cam, one_cycle, 20), one_cycle, shifts(-60, 60));
  EXPECT_NEAR(noisy.shift_deg, 30, 1e-9);
  EXPECT_TRUE(noisy.missing_deg.empty());
  const CamMatch flood = match_cam(cam, 720, late_with_noise(cam, one_cycle, 21), one_cycle, shifts(-60, 60));
  EXPECT_EQ(flood.missing_deg.size(), 4U);
}

// ---- votes

// The one place left, if it is one.
std::optional<int> only(const std::vector<int>& left) {
  return left.size() == 1 ? std::optional(left.front()) : std::nullopt;
}

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
  return only(places_left(evidence, cycle_deg, turn_deg, places, {from_deg, from_deg + span_deg}, 0));
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
  EXPECT_EQ(places_left(agree, 720, 360, 2, span, 0), std::vector<int>({0}));
  EXPECT_TRUE(places_left(differ, 720, 360, 2, span, 0).empty());
}

TEST(CamVote, a_cam_that_can_not_tell_leaves_the_vote_to_the_other) {
  EXPECT_EQ(vote({cam_with("alike", {80, 440}), cam_with("intake", {62, 242, 332, 602})}, 720, 1440, 1), 1);
}

TEST(CamVote, of_a_flooded_cam_is_not_heard) {
  const CamPattern flooded = cam_with("flooded", {62, 242, 332, 602});
  const CamPattern intake = cam_with("intake", {62, 242, 332, 602});
  const AngleSpan span{720, 720 + 1440};
  const std::vector<LocatedEdge> flood = late_with_noise(flooded, span, 60);
  const std::vector<LocatedEdge> right = seen(intake, span, 0);
  const std::vector<CamEdges> both = {{&flooded, flood}, {&intake, right}};
  EXPECT_EQ(places_left(both, 720, 360, 2, span, 0), std::vector<int>({0}));
  EXPECT_TRUE(places_left(std::span(both).first(1), 720, 360, 2, span, 60).empty());
}

// 60 even teeth, 6 degrees apart, and a cam that comes 3.5 degrees late: within its tolerance of 8 it fits at two teeth,
// with a shift of 3.5, and with one of -2.5 a tooth before (place 119 of 120).
TEST(CamVote, with_a_known_shift_only_the_tooth_with_that_shift_is_left) {
  const CamPattern cam = cam_with("cam", {100, 400});
  const AngleSpan span{720, 720 + 1440};
  const std::vector<LocatedEdge> edges = seen(cam, span, 3.5);
  const auto left = [&](std::optional<double> known_shift_deg) {
    const std::vector<CamEdges> cams = {{&cam, edges, known_shift_deg}};
    return places_left(cams, 720, 6, 120, span, 0);
  };
  EXPECT_EQ(left(std::nullopt), std::vector<int>({0, 119}));
  for (const double known_deg : {1.6, 3.5, 5.4}) {
    EXPECT_EQ(left(known_deg), std::vector<int>({0})) << known_deg;
  }
  EXPECT_EQ(left(-2.5), std::vector<int>({119}));
  EXPECT_TRUE(left(0.5).empty()) << "3 degrees off at either";
}

// Seen for one cycle: next door the only edge fits with another shift, which is one contradiction, and one is not enough.
TEST(CamVote, an_edge_with_another_shift_than_known_is_one_contradiction) {
  const CamPattern cam = cam_with("cam", {100});
  for (const int cycles : {1, 2}) {
    const AngleSpan span{720, 720 + 720.0 * cycles};
    const std::vector<LocatedEdge> edges = seen(cam, span, 3.5);
    const std::vector<CamEdges> cams = {{&cam, edges, 3.5}};
    EXPECT_EQ(places_left(cams, 720, 6, 120, span, 0), cycles == 1 ? std::vector<int>{} : std::vector<int>{0});
  }
}

TEST(CamVote, is_nothing_without_a_cam) {
  EXPECT_TRUE(places_left({}, 720, 360, 2, {0, 1440}, 0).empty());
}

// 100 even teeth: an index once a turn (edge at 20 and 380) and a cam whose tolerance spans five teeth. Neither knows the
// place by itself; both together do.
TEST(CamVote, an_index_tells_the_tooth_and_a_cam_the_turn) {
  CamPattern index = cam_with("index", {20, 380});
  index.tolerance_deg = 1.5;
  const CamPattern cam = cam_with("cam", {300});
  const int places = 200;
  const double turn_deg = 3.6;
  const AngleSpan span{720, 720 + 3 * 720};
  const std::vector<LocatedEdge> index_edges = seen(index, span, 0);
  const std::vector<LocatedEdge> cam_edges = seen(cam, span, 0);
  const std::vector<CamEdges> both = {{&index, index_edges}, {&cam, cam_edges}};
  const std::vector<CamEdges> index_only = {{&index, index_edges}};
  EXPECT_EQ(places_left(both, 720, turn_deg, places, span, 0), std::vector<int>({0}));
  EXPECT_EQ(places_left(index_only, 720, turn_deg, places, span, 0), std::vector<int>({0, 100}));
}

}  // namespace
}  // namespace cw
