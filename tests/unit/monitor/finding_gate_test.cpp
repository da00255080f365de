#include "monitor/finding_gate.hpp"

#include <optional>
#include <vector>

#include <gtest/gtest.h>

#include "monitor/evidence_index.hpp"

namespace cw {
namespace {

Finding single(FindingKind kind, std::int64_t t_ns, std::uint64_t last = 0) {
  Finding finding;
  finding.kind = kind;
  finding.start_ns = t_ns;
  finding.end_ns = t_ns;
  finding.session_ns = t_ns;
  finding.evidence_last = last;
  return finding;
}

TEST(FindingGate, lets_ten_of_a_kind_through_and_puts_the_rest_together) {
  FindingGate gate;
  for (int i = 0; i < 10; ++i) {
    EXPECT_TRUE(gate.pass(single(FindingKind::extra_edge, i)));
  }
  for (int i = 10; i < 35; ++i) {
    EXPECT_FALSE(gate.pass(single(FindingKind::extra_edge, i, 100 + static_cast<std::uint64_t>(i))));
  }
  const std::vector<Finding> rest = gate.end_second();
  ASSERT_EQ(rest.size(), 1U);
  EXPECT_EQ(rest[0].count, 25U);
  EXPECT_EQ(rest[0].start_ns, 10);
  EXPECT_EQ(rest[0].end_ns, 34);
  EXPECT_EQ(rest[0].evidence_last, 134U);
  EXPECT_TRUE(gate.end_second().empty());
  EXPECT_TRUE(gate.pass(single(FindingKind::extra_edge, 99))) << "a new second";
}

TEST(FindingGate, counts_each_kind_for_itself) {
  FindingGate gate;
  for (int i = 0; i < 10; ++i) {
    EXPECT_TRUE(gate.pass(single(FindingKind::extra_edge, i)));
  }
  EXPECT_TRUE(gate.pass(single(FindingKind::missed_edge, 10)));
  EXPECT_FALSE(gate.pass(single(FindingKind::extra_edge, 11)));
}

TEST(FindingGate, adds_the_counts_of_findings_that_stand_for_several) {
  FindingGate gate;
  for (int i = 0; i < 10; ++i) {
    gate.pass(single(FindingKind::noise_burst, i));
  }
  Finding several = single(FindingKind::noise_burst, 10);
  several.count = 4;
  gate.pass(several);
  several.count = 3;
  gate.pass(several);
  EXPECT_EQ(gate.end_second().at(0).count, 7U);
}

TEST(FindingGate, adds_up_what_findings_say_was_lost) {
  FindingGate gate;
  const auto lost = [](const char* name, double value) {
    Finding finding = single(FindingKind::edges_dropped, 0);
    finding.values = {{name, value}, {"source", 0}};
    return finding;
  };
  for (int i = 0; i < 10; ++i) {
    EXPECT_TRUE(gate.pass(lost("lost_items", 1)));
  }
  gate.pass(lost("lost_items", 100));
  gate.pass(lost("lost_bytes", 7));
  gate.pass(lost("lost_items", 23));
  const std::vector<std::pair<std::string, double>> expected = {{"lost_items", 123}, {"source", 0}, {"lost_bytes", 7}};
  EXPECT_EQ(gate.end_second().at(0).values, expected);
}

TEST(FindingGate, never_holds_back_what_opens_or_closes) {
  FindingGate gate;
  for (int i = 0; i < 50; ++i) {
    Finding finding = single(FindingKind::sync_lost, i);
    finding.phase = i % 2 == 0 ? FindingPhase::open : FindingPhase::close;
    EXPECT_TRUE(gate.pass(finding)) << i;
  }
  EXPECT_TRUE(gate.end_second().empty());
}

TEST(EvidenceIndex, gives_the_last_sequence_at_or_before_a_time) {
  EvidenceIndex index;
  EXPECT_EQ(index.at_or_before(5), 0U);
  index.note(100, 10);
  index.note(200, 20);
  index.note(300, 30);
  EXPECT_EQ(index.at_or_before(300), 30U);
  EXPECT_EQ(index.at_or_before(299), 20U);
  EXPECT_EQ(index.at_or_before(100), 10U);
  EXPECT_EQ(index.at_or_before(99), 10U) << "the oldest known is the best there is";
}

TEST(EvidenceIndex, forgets_the_oldest_and_stays_bounded) {
  EvidenceIndex index;
  for (std::uint64_t i = 1; i <= 20'000; ++i) {
    index.note(static_cast<std::int64_t>(i), i);
  }
  EXPECT_GT(index.at_or_before(1), 1U);
  EXPECT_EQ(index.at_or_before(19'999), 19'999U);
}

}  // namespace
}  // namespace cw
