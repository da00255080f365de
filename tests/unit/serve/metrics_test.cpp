// Against the conventions of Prometheus by promtool: tests/monitoring.
#include "serve/metrics.hpp"

#include <gtest/gtest.h>

#include <regex>
#include <set>

namespace cw {
namespace {

SessionFacts two_cams() {
  SessionFacts facts;
  facts.engine.name = "a \"trial\"\n\\engine";
  facts.engine.cams.resize(2);
  facts.engine.cams[0].name = "intake";
  facts.engine.cams[1].name = "exhaust";
  return facts;
}

TEST(Metrics, have_one_state_that_is_1_and_no_line_for_what_is_not_known) {
  LiveState state("crankwitness 1.2.3");
  const unsigned session = state.begin_session(two_cams());
  state.take(session, StateChange{LockState::searching, LockState::cycle_locked, 0, 0});
  Second second;
  second.rpm = 3000.5;
  second.cam_phase_deg = {std::nullopt, -1.5};
  state.take(session, second);
  const std::string text = metrics_text(state.status(), {});
  EXPECT_NE(text.find("crankwitness_state{state=\"cycle-locked\"} 1\n"), std::string::npos);
  EXPECT_NE(text.find("crankwitness_state{state=\"lost\"} 0\n"), std::string::npos);
  EXPECT_NE(text.find("crankwitness_engine_speed_rpm 3000.5\n"), std::string::npos);
  EXPECT_NE(text.find("crankwitness_cam_phase_degrees{cam=\"exhaust\"} -1.5\n"), std::string::npos);
  EXPECT_EQ(text.find("cam=\"intake\""), std::string::npos);
  EXPECT_EQ(text.find("crankwitness_tdc_deviation_degrees"), std::string::npos);
  EXPECT_NE(text.find("crankwitness_build_info{version=\"1.2.3\"} 1\n"), std::string::npos);
}

TEST(Metrics, take_numbers_away_when_they_are_stale) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(two_cams());
  Second second;
  second.rpm = 3000;
  state.take(session, second);
  LiveStatus status = state.status();
  status.now += std::chrono::seconds(5);
  EXPECT_EQ(metrics_text(status, {}).find("crankwitness_engine_speed_rpm"), std::string::npos);
}

TEST(Metrics, count_each_kind_from_nought_so_that_the_first_is_an_increase) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(two_cams());
  const std::string cam_step = "crankwitness_findings_total{kind=\"cam-step\",severity=\"fault\"} ";
  EXPECT_NE(metrics_text(state.status(), {}).find(cam_step + "0\n"), std::string::npos);
  Finding finding;
  finding.kind = FindingKind::cam_step;
  finding.severity = Severity::fault;
  finding.count = 3;
  state.take(session, finding, 0);
  EXPECT_NE(metrics_text(state.status(), {}).find(cam_step + "3\n"), std::string::npos);
}

// Text exposition format 0.0.4: a line is a comment or name{labels} value; no series stands twice.
TEST(Metrics, are_lines_of_the_text_format_with_help_and_type_and_no_series_twice) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(two_cams());
  RunHealth health;
  health.sources = {{"csv", "-", true, std::nullopt, 0}, {"csv", "-", false, std::nullopt, 2}};
  state.take(session, health);
  const std::string text = metrics_text(state.status(), {});
  const std::regex sample(R"re(([a-z_]+)(\{[a-z]+="(?:[^"\\\n]|\\.)*"(?:,[a-z]+="(?:[^"\\\n]|\\.)*")*\})? \S+)re");
  std::set<std::string> series;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) {
    if (line.starts_with("# HELP ") || line.starts_with("# TYPE ")) {
      continue;
    }
    std::smatch found;
    ASSERT_TRUE(std::regex_match(line, found, sample)) << line;
    EXPECT_TRUE(series.insert(found[1].str() + found[2].str()).second) << line;
    EXPECT_NE(text.find("# TYPE " + found[1].str() + " "), std::string::npos) << line;
  }
  EXPECT_GT(series.size(), 60U);
}

}  // namespace
}  // namespace cw
