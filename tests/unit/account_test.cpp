// What a person reads on the terminal about a finding.
#include "cli/account.hpp"

#include <gtest/gtest.h>

#include "compare/attribution.hpp"

namespace cw {
namespace {

Finding missed_tooth(int tooth, double angle_deg) {
  Finding finding;
  apply(attribute(FindingKind::missed_edge, Circumstance::one_edge), FindingKind::missed_edge, finding);
  finding.session_ns = 17'925'000'000;
  finding.channel = "crank";
  finding.tooth = tooth;
  finding.angle_deg = angle_deg;
  finding.rpm = 4179.4;
  finding.cycle = 342;
  return finding;
}

bool contains(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

TEST(Account, names_tooth_angle_speed_suspect_and_checks) {
  const std::string words = finding_in_words(missed_tooth(23, 90), "");
  EXPECT_TRUE(contains(words, "[17.925 s] WARNING: Missed edge\n")) << words;
  EXPECT_TRUE(contains(words, "crank, tooth 23, 90.0 deg after TDC1, 4179 rpm, cycle 342\n")) << words;
  EXPECT_TRUE(contains(words, "Suspect: sensor or wiring.\n")) << words;
  EXPECT_TRUE(contains(words, "Why:     One tooth gave no edge")) << words;
  EXPECT_TRUE(contains(words, "- crank sensor air gap and connector\n")) << words;
  EXPECT_TRUE(contains(words, "P0339")) << words;
}

TEST(Account, says_once_what_holds_for_the_finding_before_too) {
  const Finding first = missed_tooth(23, 90);
  const std::string words = finding_in_words(missed_tooth(41, 558), "", &first);
  EXPECT_TRUE(contains(words, "tooth 41, 558.0 deg")) << words;
  EXPECT_TRUE(contains(words, "as above")) << words;
  EXPECT_FALSE(contains(words, "Check:")) << words;
}

TEST(Account, says_all_of_a_finding_whose_reason_differs_from_the_one_before) {
  const Finding first = missed_tooth(23, 90);
  Finding second = missed_tooth(41, 558);
  second.reason = "another reason";
  const std::string words = finding_in_words(second, "", &first);
  EXPECT_TRUE(contains(words, "Another reason.")) << words;
  EXPECT_TRUE(contains(words, "Check:")) << words;
}

TEST(Account, prints_values_with_their_units_as_words) {
  Finding finding = missed_tooth(23, 90);
  finding.values = {{"step_deg", 17.1372}, {"extra_edges", 32}, {"gear_teeth_moved", 1.02}};
  const std::string words = finding_in_words(finding, "");
  for (const char* part : {"step 17.14 deg, ", "extra edges 32, ", "gear teeth moved 1.02\n"}) {
    EXPECT_TRUE(contains(words, part)) << words;
  }
}

TEST(Account, tells_the_beginning_of_a_condition_from_its_end) {
  Finding finding = missed_tooth(23, 90);
  finding.kind = FindingKind::cam_signal_dead;
  finding.phase = FindingPhase::open;
  EXPECT_TRUE(contains(finding_in_words(finding, ""), "Cam signal dead, begins\n"));
  finding.phase = FindingPhase::close;
  EXPECT_TRUE(contains(finding_in_words(finding, ""), "Cam signal dead, over\n"));
  finding.kind = FindingKind::sync_lost;
  finding.phase = FindingPhase::open;
  EXPECT_TRUE(contains(finding_in_words(finding, ""), "FAULT: Sync lost\n") ||
              contains(finding_in_words(finding, ""), "WARNING: Sync lost\n"));
}

}  // namespace
}  // namespace cw
