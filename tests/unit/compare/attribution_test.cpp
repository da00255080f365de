#include "compare/attribution.hpp"

#include <algorithm>
#include <map>
#include <set>
#include <string>
#include <string_view>
#include <utility>

#include <gtest/gtest.h>

namespace cw {
namespace {

// Titles of SAE J2012 / ISO 15031-6: P0016 seen in a public copy, the rest from memory. The standard writes sensor "A".
const std::map<std::string_view, std::string_view>& titles() {
  static const std::map<std::string_view, std::string_view> known = {
      {"P0016", "Crankshaft Position - Camshaft Position Correlation"},
      {"P0335", "Crankshaft Position Sensor \"A\" Circuit"},
      {"P0336", "Crankshaft Position Sensor \"A\" Circuit Range/Performance"},
      {"P0339", "Crankshaft Position Sensor \"A\" Circuit Intermittent"},
      {"P0340", "Camshaft Position Sensor \"A\" Circuit"},
      {"P0341", "Camshaft Position Sensor \"A\" Circuit Range/Performance"},
      {"P0344", "Camshaft Position Sensor \"A\" Circuit Intermittent"},
      {"U0100", "Lost Communication With ECM/PCM \"A\""},
  };
  return known;
}

std::string words(const AttributionRow& row) {
  return std::string(to_string(row.kind)) + ", " + std::string(to_string(row.circumstance));
}

TEST(AttributionTable, every_row_is_found_by_its_kind_and_circumstance) {
  ASSERT_GE(attribution_table().size(), 19U);
  for (const AttributionRow& row : attribution_table()) {
    EXPECT_EQ(&attribute(row.kind, row.circumstance), &row) << words(row);
  }
}

TEST(AttributionTable, has_each_pair_once) {
  std::set<std::pair<FindingKind, Circumstance>> pairs;
  for (const AttributionRow& row : attribution_table()) {
    EXPECT_TRUE(pairs.insert({row.kind, row.circumstance}).second) << words(row);
  }
}

TEST(AttributionTable, every_kind_of_finding_has_a_row) {
  std::set<FindingKind> kinds;
  for (const AttributionRow& row : attribution_table()) {
    kinds.insert(row.kind);
  }
  for (int kind = 0; kind <= static_cast<int>(FindingKind::clock_trouble); ++kind) {
    EXPECT_TRUE(kinds.contains(static_cast<FindingKind>(kind))) << to_string(static_cast<FindingKind>(kind));
  }
}

TEST(AttributionTable, what_is_wrong_comes_with_a_reason_and_something_to_check) {
  for (const AttributionRow& row : attribution_table()) {
    EXPECT_FALSE(row.reason.empty()) << words(row);
    if (row.severity != Severity::info) {
      EXPECT_FALSE(row.next_checks.empty()) << words(row);
      EXPECT_NE(row.attribution, Attribution::none) << words(row);
    } else {
      EXPECT_EQ(row.attribution, Attribution::none) << words(row);
    }
    for (const std::string_view check : row.next_checks) {
      EXPECT_GT(check.size(), 5U) << words(row);
    }
  }
}

TEST(AttributionTable, codes_carry_their_standard_title) {
  std::set<std::string_view> used;
  for (const AttributionRow& row : attribution_table()) {
    EXPECT_EQ(row.code.empty(), row.title.empty()) << words(row);
    if (!row.code.empty()) {
      ASSERT_TRUE(titles().contains(row.code)) << words(row) << ": " << row.code;
      EXPECT_EQ(row.title, titles().at(row.code)) << words(row);
      used.insert(row.code);
    }
  }
  EXPECT_EQ(used.size(), titles().size()) << "all of these codes are used";
}

TEST(AttributionTable, a_cam_that_jumped_says_first_to_stop_and_turn_by_hand) {
  int rows = 0;
  for (const AttributionRow& row : attribution_table()) {
    if (row.kind == FindingKind::cam_step) {
      ++rows;
      const std::string_view first = row.next_checks.front();
      EXPECT_EQ(first.substr(0, 4), "stop") << words(row);
      for (const std::string_view word : {"restart", "crank", "by hand", "valves", "pistons"}) {
        EXPECT_NE(first.find(word), std::string_view::npos) << words(row) << ": " << word;
      }
      const bool small =
          row.circumstance == Circumstance::small_step_one_cam || row.circumstance == Circumstance::small_step_only_cam;
      EXPECT_EQ(row.severity, small ? Severity::warning : Severity::fault) << words(row);
      EXPECT_EQ(row.code, "P0016") << words(row);
    }
  }
  EXPECT_GE(rows, 5);
}

TEST(AttributionTable, does_not_choose_between_drive_and_wheel_when_all_cams_moved_by_whole_teeth) {
  EXPECT_EQ(attribute(FindingKind::cam_step, Circumstance::whole_teeth_all_cams).attribution, Attribution::undecided);
  EXPECT_EQ(attribute(FindingKind::cam_step, Circumstance::whole_teeth_one_cam).attribution, Attribution::cam_drive);
  EXPECT_EQ(attribute(FindingKind::crank_wheel_step, Circumstance::part_tooth_all_cams).attribution,
            Attribution::wheel);
}

TEST(AttributionTable, blames_the_ecu_only_for_its_own_mark_and_its_own_words) {
  for (const AttributionRow& row : attribution_table()) {
    if (row.attribution == Attribution::ecu) {
      const std::string kind(to_string(row.kind));
      EXPECT_TRUE(kind.starts_with("tdc-") || kind.starts_with("ecu-") || kind == "offset-and-delay") << words(row);
    }
  }
}

TEST(Attribution, of_an_unknown_pair_is_undecided_and_says_so) {
  int unknown = 0;
  for (int kind = 0; kind <= static_cast<int>(FindingKind::clock_trouble); ++kind) {
    for (int seen = 0; seen <= static_cast<int>(Circumstance::no_cam_watched); ++seen) {
      const auto of_kind = static_cast<FindingKind>(kind);
      const auto circumstance = static_cast<Circumstance>(seen);
      const AttributionRow& row = attribute(of_kind, circumstance);
      const auto table = attribution_table();
      const bool listed = std::any_of(table.begin(), table.end(), [&](const AttributionRow& known) {
        return known.kind == of_kind && (known.circumstance == circumstance || known.circumstance == Circumstance::any);
      });
      if (!listed) {
        ++unknown;
        EXPECT_EQ(row.attribution, Attribution::undecided) << to_string(of_kind);
        EXPECT_FALSE(row.reason.empty());
        EXPECT_TRUE(row.code.empty());
      } else {
        EXPECT_EQ(row.kind, of_kind) << to_string(circumstance);
      }
    }
  }
  EXPECT_GT(unknown, 0);
}

TEST(Attribution, apply_fills_the_finding_from_the_row_with_the_kind_asked_for) {
  const AttributionRow& row = attribute(FindingKind::cam_signal_dead, Circumstance::crank_goes_on);
  Finding finding;
  finding.next_checks = {"old"};
  apply(row, FindingKind::cam_signal_dead, finding);
  EXPECT_EQ(finding.kind, FindingKind::cam_signal_dead);
  EXPECT_EQ(finding.severity, row.severity);
  EXPECT_EQ(finding.attribution, row.attribution);
  EXPECT_EQ(finding.reason, row.reason);
  EXPECT_EQ(finding.code, "P0340");
  EXPECT_EQ(finding.title, row.title);
  ASSERT_EQ(finding.next_checks.size(), row.next_checks.size());
  EXPECT_EQ(finding.next_checks.front(), row.next_checks.front());
  // The row for unknown pairs belongs to no kind: the one asked for is kept.
  apply(attribute(FindingKind::extra_edge, Circumstance::cams_go_on), FindingKind::extra_edge, finding);
  EXPECT_EQ(finding.kind, FindingKind::extra_edge);
}

TEST(Attribution, every_circumstance_has_its_own_words) {
  std::set<std::string_view> names;
  for (int seen = 0; seen <= static_cast<int>(Circumstance::no_cam_watched); ++seen) {
    const std::string_view name = to_string(static_cast<Circumstance>(seen));
    EXPECT_FALSE(name.empty());
    EXPECT_TRUE(names.insert(name).second) << name;
  }
}

}  // namespace
}  // namespace cw
