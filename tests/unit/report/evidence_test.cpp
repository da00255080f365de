// Raw edges on the crank angle, from edges made by arithmetic: where each lies is known (TimedEdge::crank_deg).
#include "report/evidence.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "report/evidence_drawing.hpp"
#include "tests/unit/monitor/item_stream.hpp"

namespace cw {
namespace {

using test::engine_edges;
using test::ItemStream;
using test::Line;
using test::only;
using test::TimedEdge;
using test::two_cam_engine;

constexpr double rpm = 3000;
constexpr double ns_per_deg_true = 1e9 / (6 * rpm);  // 1 rpm is 6 degrees a second
constexpr double cycles = 12;

double ns_at(double deg) {
  return 1e9 + deg * ns_per_deg_true;
}

std::vector<TimedEdge> sound() {
  return engine_edges(two_cam_engine(), 0, cycles * 720, ns_at);
}

// What is drawn around crank angle `deg` (rising over the cycles) of a stream of `edges`.
EvidencePicture picture_at(double deg, const std::vector<TimedEdge>& edges, FindingKind kind) {
  ItemStream stream;
  stream.edges(edges);
  Finding finding;
  finding.kind = kind;
  finding.start_ns = std::llround(ns_at(deg));
  finding.end_ns = finding.start_ns;
  return evidence_picture(two_cam_engine(), finding, stream.buffer());
}

std::vector<ExpectedEdge> missing(const EvidenceRow& row) {
  std::vector<ExpectedEdge> found;
  for (const ExpectedEdge& edge : row.expected) {
    if (edge.missing) {
      found.push_back(edge);
    }
  }
  return found;
}

std::vector<EvidenceEdge> odd(const EvidenceRow& row) {
  std::vector<EvidenceEdge> found;
  for (const EvidenceEdge& edge : row.edges) {
    if (edge.sense == EdgeSense::odd) {
      found.push_back(edge);
    }
  }
  return found;
}

TEST(Evidence, each_edge_lies_at_the_angle_where_it_came) {
  const double here = 8 * 720 + 93;  // between two teeth
  const EvidencePicture picture = picture_at(here, sound(), FindingKind::missed_edge);
  ASSERT_FALSE(picture.by_time);
  EXPECT_TRUE(picture.cycle_known);
  EXPECT_NEAR(picture.angle_at_0_deg, 93, 0.01);
  EXPECT_NEAR(picture.ns_per_deg, ns_per_deg_true, 1);
  ASSERT_EQ(picture.rows.size(), 4U);  // crank, two cams, the ECU's mark
  std::size_t seen = 0;
  for (const TimedEdge& edge : sound()) {
    if (edge.line == Line::crank && std::fabs(edge.crank_deg - here) < 179.9) {
      ASSERT_LT(seen, picture.rows[0].edges.size());
      EXPECT_NEAR(picture.rows[0].edges[seen].x, edge.crank_deg - here, 0.01);
      EXPECT_EQ(picture.rows[0].edges[seen].sense, EdgeSense::expected);
      ++seen;
    }
  }
  EXPECT_GE(seen, 57U);
  for (const EvidenceRow& row : picture.rows) {
    EXPECT_TRUE(missing(row).empty()) << row.name;
    EXPECT_TRUE(odd(row).empty()) << row.name;
  }
  EXPECT_TRUE(picture.has_counter);
  EXPECT_TRUE(picture.counter_out.empty());
  EXPECT_TRUE(picture.unknown.empty());
}

TEST(Evidence, a_missed_tooth_is_marked_with_its_number_and_costs_a_plain_counter_its_sync) {
  const std::vector<TimedEdge> all = sound();
  const auto gone = std::find_if(all.begin(), all.end(), [](const TimedEdge& edge) {
    return edge.line == Line::crank && edge.tooth == 23 && edge.crank_deg > 8 * 720;
  });
  const auto edges =
      only(all, [&](const TimedEdge& edge) { return edge.t_ns != gone->t_ns || edge.line != Line::crank; });
  const EvidencePicture picture = picture_at(gone->crank_deg, edges, FindingKind::missed_edge);
  const std::vector<ExpectedEdge> found = missing(picture.rows[0]);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].tooth, 23);
  EXPECT_NEAR(found[0].x, 0, 0.02);
  ASSERT_EQ(picture.counter_out.size(), 1U);
  EXPECT_GT(picture.counter_out[0].from_x, 0);  // it sees the gap with a tooth too few, or the hole for a gap
  EXPECT_EQ(evidence_in_words(picture, 720).front().rfind("Crank: no edge of tooth 23 (", 0), 0U);
}

TEST(Evidence, an_edge_too_many_is_marked_and_the_teeth_beside_it_are_not) {
  std::vector<TimedEdge> edges = sound();
  const double here = 8 * 720 + 92;
  TimedEdge extra;
  extra.t_ns = std::llround(ns_at(here));
  edges.push_back(extra);
  std::stable_sort(edges.begin(), edges.end(), [](const auto& a, const auto& b) { return a.t_ns < b.t_ns; });
  const EvidencePicture picture = picture_at(here, edges, FindingKind::extra_edge);
  const std::vector<EvidenceEdge> found = odd(picture.rows[0]);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_NEAR(found[0].x, 0, 0.05);
  EXPECT_TRUE(missing(picture.rows[0]).empty());
}

TEST(Evidence, a_cam_that_jumped_is_out_of_its_place_and_missing_there) {
  const double jump = 8 * 720;
  const double tooth = 720.0 / 40;  // one tooth of the exhaust cam's gear
  std::vector<TimedEdge> edges = engine_edges(two_cam_engine(), 0, jump, ns_at);
  for (const TimedEdge& edge : engine_edges(two_cam_engine(), jump, cycles * 720, ns_at, {{0, tooth}, 0})) {
    edges.push_back(edge);
  }
  const EvidencePicture picture = picture_at(jump + 118, edges, FindingKind::cam_step);
  const std::vector<EvidenceEdge> found = odd(picture.rows[2]);
  ASSERT_EQ(found.size(), 2U);  // 100 and 500, 18 late
  EXPECT_NEAR(found[0].x, 0, 0.05);
  ASSERT_EQ(missing(picture.rows[2]).size(), 2U);
  EXPECT_NEAR(missing(picture.rows[2])[0].x, -tooth, 0.05);
  EXPECT_TRUE(odd(picture.rows[1]).empty());
}

TEST(Evidence, the_ecus_mark_four_degrees_late_is_out_of_its_place) {
  const auto edges = engine_edges(two_cam_engine(), 0, cycles * 720, ns_at, {{}, 4});
  const EvidencePicture picture = picture_at(8 * 720, edges, FindingKind::tdc_deviation);
  ASSERT_EQ(odd(picture.rows[3]).size(), 1U);
  EXPECT_NEAR(odd(picture.rows[3])[0].x, -6, 0.05);  // 10 before TDC1, 4 late
}

TEST(Evidence, behind_the_last_edge_there_is_nothing_to_count) {
  const double end = 8 * 720 + 90;
  const auto edges =
      only(sound(), [&](const TimedEdge& edge) { return edge.line != Line::crank || edge.crank_deg < end; });
  const EvidencePicture picture = picture_at(end, edges, FindingKind::crank_signal_stopped);
  ASSERT_EQ(picture.silent.size(), 1U);
  EXPECT_NEAR(picture.silent[0].from_x, 0, 6.1);
  ASSERT_FALSE(picture.unknown.empty());
}

TEST(Evidence, where_no_position_is_known_edges_stand_over_time_and_nothing_is_expected) {
  const auto edges = only(sound(), [](const TimedEdge& edge) { return edge.crank_deg < 200; });
  const EvidencePicture picture = picture_at(100, edges, FindingKind::wrong_engine_file);
  EXPECT_TRUE(picture.by_time);
  EXPECT_FALSE(picture.rows[0].edges.empty());
  for (const EvidenceRow& row : picture.rows) {
    EXPECT_TRUE(row.expected.empty());
  }
}

TEST(Evidence, without_any_edge_there_is_still_a_picture) {
  const EvidencePicture picture = picture_at(100, {}, FindingKind::sync_lost);
  EXPECT_TRUE(picture.by_time);
  EXPECT_NE(evidence_svg("a", "nothing", picture, 720).find("</svg>"), std::string::npos);
}

}  // namespace
}  // namespace cw
