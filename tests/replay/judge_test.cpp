// The judge of the replay logs must be able to fail.
#include <gtest/gtest.h>

#include "expectation.hpp"
#include "outcome.hpp"
#include "verdict.hpp"

namespace cw::replay_logs {
namespace {

const std::string sound_file = R"(what = "a test"
nothing_else = "warning"
never = ["sync-lost"]
engine_file = "x.toml"
origin = "typed"
[lock]
state = "cycle-locked"
within_s = 0.5
[[find]]
kind = "missed-edge"
tooth = 12
angle_deg = [719.9, 0.5]
time_s = [1.0, 0.01]
attribution = "sensor-or-wiring"
values = { step_deg = [15.0, 0.5] }
[[measure]]
column = "reference_deviation_deg"
from_s = 0
to_s = 9
median = [4.0, 0.1]
[truth]
within_deg = 0.5
tdc_ns = [100000000, 180000000, 260000000]
)";

std::string changed(const std::string& from, const std::string& to) {
  std::string text = sound_file;
  text.replace(text.find(from), from.size(), to);
  return text;
}

std::string first_problem(const std::string& text) {
  const auto read = read_expectation(text, "x.toml");
  const auto* problems = std::get_if<std::vector<std::string>>(&read);
  return problems == nullptr ? "" : problems->front();
}

Expectation sound_expectation() {
  return std::get<Expectation>(read_expectation(sound_file, "x.toml"));
}

// What a right program would say about it: TDC1 each 80 ms is 1500 rpm.
Outcome sound_outcome() {
  Outcome outcome;
  outcome.findings = read_events(
      R"({"id":1,"phase":"single","kind":"missed-edge","severity":"warning","start_ns":1001000000,"angle_deg":0.2,)"
      R"("channel":"crank","tooth":12,"values":{"step_deg":15.2},"attribution":"sensor-or-wiring","count":1})"
      "\n");
  read_cycles(
      "cycle,tdc_ns,rpm,reference_deviation_deg,state\n0,100001000,1500.0,4.05,cycle-locked\n"
      "1,180000000,1500.0,3.95,cycle-locked\n2,260000000,1500.0,4.0,cycle-locked\n",
      outcome);
  read_trend("session_s,source_ns,state\n1.000,5,cycle-locked\n2.000,5,cycle-locked\n", outcome);
  return outcome;
}

TEST(ReplayExpectation, is_read_whole_and_a_right_outcome_passes) {
  EXPECT_EQ(first_problem(sound_file), "");
  EXPECT_EQ(differences(sound_expectation(), sound_outcome()), std::vector<std::string>());
}

TEST(ReplayExpectation, refuses_unknown_keys_at_every_level) {
  EXPECT_EQ(first_problem("colour = 1\n" + sound_file), "x.toml:1: colour: expected no such key");
  EXPECT_NE(first_problem(changed("tooth = 12", "teeth = 12")), "");
  EXPECT_NE(first_problem(changed("within_s = 0.5", "within_s = 0.5\nwithin = 1")), "");
  EXPECT_NE(first_problem(changed("to_s = 9", "to_s = 9\nmean = 1")), "");
  EXPECT_NE(first_problem(changed("within_deg = 0.5", "within_deg = 0.5\nx = 1")), "");
}

TEST(ReplayExpectation, refuses_a_file_that_expects_nothing) {
  EXPECT_NE(first_problem("what = \"x\"\nengine_file = \"e\"\norigin = \"o\"\n"), "");
  EXPECT_NE(first_problem(changed("nothing_else = \"warning\"\n", "")), "");
  EXPECT_NE(first_problem(changed("[lock]\nstate = \"cycle-locked\"\nwithin_s = 0.5\n", "")), "");
}

TEST(ReplayExpectation, refuses_words_that_no_finding_can_have) {
  EXPECT_NE(first_problem(changed("kind = \"missed-edge\"", "kind = \"missed-tooth\"")), "");
  EXPECT_NE(first_problem(changed("sensor-or-wiring", "gremlins")), "");
  EXPECT_NE(first_problem(changed("[\"sync-lost\"]", "[\"sync-gone\"]")), "");
  EXPECT_NE(first_problem(changed("[15.0, 0.5]", "[15.0, 0]")), "");
}

TEST(ReplayVerdict, fails_when_the_wanted_finding_is_not_there) {
  Outcome outcome = sound_outcome();
  outcome.findings.clear();
  EXPECT_EQ(differences(sound_expectation(), outcome).size(), 1U);
}

TEST(ReplayVerdict, fails_when_tooth_angle_time_attribution_or_value_is_wrong) {
  const auto fails = [](auto spoil) {
    Outcome outcome = sound_outcome();
    spoil(outcome.findings.front());
    // Not found, and what is there instead is not expected.
    return differences(sound_expectation(), outcome).size() == 2U;
  };
  EXPECT_TRUE(fails([](SaidFinding& finding) { finding.tooth = 13; }));
  EXPECT_TRUE(fails([](SaidFinding& finding) { finding.tooth.reset(); }));
  EXPECT_TRUE(fails([](SaidFinding& finding) { finding.angle_deg = 0.5; }));
  EXPECT_TRUE(fails([](SaidFinding& finding) { finding.start_ns += 10'000'000; }));
  EXPECT_TRUE(fails([](SaidFinding& finding) { finding.attribution = "ecu"; }));
  EXPECT_TRUE(fails([](SaidFinding& finding) { finding.values.front().second = -15.2; }));
  EXPECT_TRUE(fails([](SaidFinding& finding) { finding.values.clear(); }));
}

TEST(ReplayVerdict, fails_on_a_finding_too_many_and_on_one_never_wanted_however_harmless) {
  Outcome outcome = sound_outcome();
  SaidFinding more = outcome.findings.front();
  more.id = 2;
  outcome.findings.push_back(more);
  EXPECT_EQ(differences(sound_expectation(), outcome).size(), 1U);
  outcome.findings.back().kind = "extra-edge";
  EXPECT_EQ(differences(sound_expectation(), outcome).size(), 1U);
  outcome.findings.back().severity = "info";
  EXPECT_TRUE(differences(sound_expectation(), outcome).empty());
  outcome.findings.back().kind = "sync-lost";
  EXPECT_EQ(differences(sound_expectation(), outcome).size(), 1U);
}

TEST(ReplayVerdict, fails_when_lock_is_late_or_lost_or_the_end_is_another) {
  Outcome late = sound_outcome();
  late.first_edge_ns = -600'000'000;
  EXPECT_EQ(differences(sound_expectation(), late).size(), 1U);
  Outcome lost = sound_outcome();
  lost.seconds.back().second = "lost";
  EXPECT_EQ(differences(sound_expectation(), lost).size(), 2U);
  Outcome never = sound_outcome();
  never.cycles.clear();
  EXPECT_FALSE(differences(sound_expectation(), never).empty());
}

TEST(ReplayVerdict, fails_when_more_is_claimed_than_the_log_can_support) {
  Expectation modest = sound_expectation();
  modest.lock.state = "revolution-locked";
  modest.lock.end_state = "revolution-locked";
  modest.lock.holds = false;
  Outcome outcome = sound_outcome();
  outcome.seconds.back().second = "revolution-locked";
  outcome.cycles[0].state = "revolution-locked";
  outcome.cycles[1].state = "revolution-locked";
  EXPECT_EQ(differences(modest, outcome).size(), 1U);
  outcome.cycles[2].state = "revolution-locked";
  EXPECT_TRUE(differences(modest, outcome).empty());
}

TEST(ReplayVerdict, fails_when_a_position_is_claimed_where_none_can_be_known) {
  Expectation none = sound_expectation();
  none.lock = {};
  none.lock.state = no_lock;
  EXPECT_FALSE(differences(none, sound_outcome()).empty());
  Outcome silent = sound_outcome();
  silent.cycles.clear();
  for (auto& second : silent.seconds) {
    second.second = "searching";
  }
  none.measures.clear();
  none.truth.reset();
  EXPECT_TRUE(differences(none, silent).empty());
  silent.seconds.back().second = "revolution-locked";
  EXPECT_EQ(differences(none, silent).size(), 1U);
}

TEST(ReplayVerdict, fails_on_a_wrong_turn_and_on_a_wrong_deviation) {
  Outcome turned = sound_outcome();
  turned.cycles[1].tdc_ns += 40'000'000;  // 360 degrees at 1500 rpm
  EXPECT_EQ(differences(sound_expectation(), turned).size(), 1U);
  Outcome sign = sound_outcome();
  for (SaidCycle& cycle : sign.cycles) {
    cycle.columns["reference_deviation_deg"] *= -1;
  }
  EXPECT_EQ(differences(sound_expectation(), sign).size(), 1U);
}

}  // namespace
}  // namespace cw::replay_logs
