#include "report/finding_list.hpp"

#include <gtest/gtest.h>

#include "compare/attribution.hpp"

namespace cw {
namespace {

Finding finding(std::uint64_t id, FindingKind kind, Circumstance circumstance,
                FindingPhase phase = FindingPhase::single) {
  Finding made;
  apply(attribute(kind, circumstance), kind, made);
  made.id = id;
  made.phase = phase;
  return made;
}

TEST(FindingList, is_bounded_and_keeps_the_gravest) {
  FindingList list;
  for (std::uint64_t i = 0; i < 100'000; ++i) {
    list.add(finding(i, FindingKind::missed_edge, Circumstance::one_edge), static_cast<std::int64_t>(i));
  }
  list.add(finding(100'000, FindingKind::cam_step, Circumstance::whole_teeth_only_cam), 100'000);
  EXPECT_EQ(list.listed().size(), FindingList::listed_max);
  EXPECT_EQ(list.lines(), 100'001U);
  EXPECT_EQ(list.listed().front().finding.kind, FindingKind::cam_step);
  const std::vector<Trouble> troubles = list.troubles();
  ASSERT_EQ(troubles.size(), 2U);
  EXPECT_EQ(troubles[1].count, 100'000U);
  EXPECT_EQ(troubles[1].last_begin_ns, 99'999);
}

TEST(FindingList, a_cam_that_jumped_comes_before_an_earlier_fault) {
  FindingList list;
  list.add(finding(1, FindingKind::sync_lost, Circumstance::position_ambiguous, FindingPhase::open), 1);
  list.add(finding(2, FindingKind::cam_step, Circumstance::whole_teeth_only_cam), 2);
  EXPECT_EQ(list.troubles().front().first.finding.kind, FindingKind::cam_step);
  const std::vector<NextCheck> checks = next_checks(list.troubles());
  ASSERT_FALSE(checks.empty());
  EXPECT_EQ(checks.front().text.rfind("stop: do not restart or crank", 0), 0U) << checks.front().text;
}

TEST(FindingList, a_condition_is_open_until_it_is_closed_under_another_name) {
  FindingList list;
  list.add(finding(7, FindingKind::sync_lost, Circumstance::any, FindingPhase::open), 1);
  EXPECT_TRUE(list.troubles().front().open_id);
  list.add(finding(7, FindingKind::sync_regained, Circumstance::any, FindingPhase::close), 2);
  EXPECT_FALSE(list.troubles().front().open_id);
  EXPECT_EQ(list.lines(), 1U);
}

TEST(FindingList, draws_each_trouble_once_before_one_twice_and_none_twice_in_a_cycle) {
  FindingList list;
  for (std::uint64_t i = 0; i < 20; ++i) {
    Finding missed = finding(i, FindingKind::missed_edge, Circumstance::one_edge);
    missed.cycle = i / 2;  // two teeth in each cycle
    list.add(missed, static_cast<std::int64_t>(i));
  }
  list.add(finding(30, FindingKind::cam_edge_missing, Circumstance::any), 30);
  list.add(finding(31, FindingKind::engine_stopped, Circumstance::any), 31);  // nothing to see in edges
  const std::vector<std::size_t> drawn = list.to_draw(4);
  ASSERT_EQ(drawn.size(), 4U);
  int missed = 0;
  bool cam = false;
  for (const std::size_t index : drawn) {
    missed += list.listed()[index].finding.kind == FindingKind::missed_edge ? 1 : 0;
    cam = cam || list.listed()[index].finding.kind == FindingKind::cam_edge_missing;
  }
  EXPECT_EQ(missed, 3);
  EXPECT_TRUE(cam);
}

TEST(NextChecks, each_stands_once_and_says_who_asks_for_it) {
  FindingList list;
  list.add(finding(1, FindingKind::missed_edge, Circumstance::one_edge), 1);
  list.add(finding(2, FindingKind::missed_edge, Circumstance::teeth_in_a_row), 2);
  const std::vector<NextCheck> checks = next_checks(list.troubles());
  for (std::size_t i = 0; i < checks.size(); ++i) {
    for (std::size_t k = i + 1; k < checks.size(); ++k) {
      EXPECT_NE(checks[i].text, checks[k].text);
    }
    EXPECT_EQ(checks[i].asked_by, std::vector<std::string>{"Missed edge"});
  }
}

}  // namespace
}  // namespace cw
