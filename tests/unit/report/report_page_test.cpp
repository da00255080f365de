// The page as text: hostile names, the order of its parts, no link to anything outside.
#include "report/report_page.hpp"

#include <gtest/gtest.h>

#include "compare/attribution.hpp"
#include "tests/unit/sync/engine_times.hpp"

namespace cw {
namespace {

const std::string hostile = "</title></style><script>alert(1)</script><img src=x onerror=\"y\">'&";

struct Trial {
  explicit Trial(Engine made = test::two_cam_engine()) : engine(std::move(made)) {}
  std::string page() {
    totals.finish();
    picture.finish();
    return report_page({engine, info, totals, picture, capture, {}, "crankwitness 0", name, true, std::nullopt});
  }
  void find(const Finding& finding) {
    totals.on_finding(finding);
    picture.on_finding(finding);
  }
  void lock() {
    ItemBuffer items;
    items.add_channel_name(0, engine.crank.channel, 0);
    Item edge;
    items.items.push_back(edge);
    edge.host_ns = 10'000'000'000;
    items.items.push_back(edge);
    totals.take_items(items.batch());
    picture.take_items(items.batch());
    const StateChange change{LockState::no_signal, LockState::cycle_locked, 0, 1'000'000'000};
    totals.on_state(change);
    picture.on_state(change);
  }
  Engine engine;
  SessionInfo info;
  SessionTotals totals{engine};
  SessionPicture picture{engine};
  CaptureReport capture;
  std::string name = "trial";
};

bool has(const std::string& page, const std::string& text) {
  return page.find(text) != std::string::npos;
}

TEST(ReportPage, says_no_fault_seen_and_never_healthy) {
  Trial trial;
  trial.lock();
  const std::string page = trial.page();
  EXPECT_TRUE(has(page, "<h2 id=\"verdict\">No fault seen</h2>"));
  EXPECT_TRUE(has(page, "Not watched, so nothing is said about it"));
  EXPECT_TRUE(has(page, "what the ECU says on CAN"));
  for (const char* word : {"healthy", "Healthy", "all good", "OK"}) {
    EXPECT_FALSE(has(page, word)) << word;
  }
}

TEST(ReportPage, without_edges_or_a_position_nothing_can_be_said) {
  Trial trial;
  EXPECT_TRUE(has(trial.page(), "<h2 id=\"verdict\">Nothing can be said about timing</h2>"));
}

TEST(ReportPage, begins_with_stop_after_a_cam_step_and_says_what_is_undecided) {
  Trial trial;
  trial.lock();
  Finding step;
  apply(attribute(FindingKind::cam_step, Circumstance::whole_teeth_only_cam), FindingKind::cam_step, step);
  step.channel = "exhaust";
  trial.find(step);
  const std::string page = trial.page();
  const std::size_t verdict = page.find("Stop: a cam moved against the crank. Do not restart or crank the engine.");
  const std::size_t undecided = page.find("What the evidence does not decide");
  const std::size_t checks = page.find("Stop: do not restart or crank the engine; turn it by hand only");
  ASSERT_NE(verdict, std::string::npos);
  ASSERT_NE(undecided, std::string::npos);
  ASSERT_NE(checks, std::string::npos);
  EXPECT_LT(verdict, undecided);
  EXPECT_LT(undecided, checks);
}

TEST(ReportPage, hostile_names_stay_text) {
  Engine engine = test::two_cam_engine();
  engine.name = hostile;
  engine.cams[0].name = hostile;
  Trial trial(engine);
  trial.lock();
  trial.name = hostile;
  trial.info.engine_file_name = hostile;
  trial.info.engine_file_text = hostile;
  trial.info.program = hostile;
  trial.info.sources.push_back({0, hostile, hostile, {{hostile, hostile}}, 0});
  trial.info.made_from.push_back({hostile, 1, hostile});
  Finding finding;
  finding.kind = FindingKind::cam_deviation;
  finding.severity = Severity::fault;
  finding.channel = hostile;
  finding.values = {{hostile, 1}};
  finding.reason = hostile;
  finding.next_checks = {hostile};
  finding.code = hostile;
  finding.title = hostile;
  trial.find(finding);
  Cycle cycle;
  cycle.rpm = 1000;
  cycle.state = LockState::cycle_locked;
  cycle.cam_phase_deg = {1.0, 1.0};
  trial.picture.on_cycle(cycle);  // so that the cam's panel, with its name, is drawn
  const std::string page = trial.page();
  EXPECT_FALSE(has(page, "<script"));
  EXPECT_FALSE(has(page, "<img"));
  EXPECT_EQ(page.find("</title>"), page.find("</title>", page.find("<title>")));
  EXPECT_FALSE(has(page, "onerror=\""));
  EXPECT_TRUE(has(page, "&lt;script&gt;"));
}

TEST(ReportPage, points_at_nothing_outside_and_runs_nothing) {
  Trial trial;
  trial.lock();
  const std::string page = trial.page();
  for (const char* text : {"http:", "https:", "//", "<script", "@import", "url(", "<iframe", "src="}) {
    EXPECT_FALSE(has(page, text)) << text;
  }
  EXPECT_TRUE(has(page, "Content-Security-Policy"));
}

TEST(ReportPage, has_its_parts_in_order_each_with_a_heading_of_its_own) {
  Trial trial;
  trial.lock();
  const std::string page = trial.page();
  std::size_t at = 0;
  for (const char* id : {"verdict", "checks", "timeline", "findings", "evidence", "offset", "ecu", "links", "settings",
                         "cautions", "limits"}) {
    const std::size_t found = page.find("<h2 id=\"" + std::string(id) + "\">");
    ASSERT_NE(found, std::string::npos) << id;
    EXPECT_GT(found, at) << id;
    at = found;
  }
}

TEST(ReportPage, the_same_content_gives_the_same_bytes) {
  Trial one;
  Trial two;
  one.lock();
  two.lock();
  EXPECT_EQ(one.page(), two.page());
}

TEST(ReportPage, says_what_of_the_recording_is_missing) {
  Trial trial;
  trial.lock();
  trial.capture.missing_items = 12;
  trial.capture.hole_count = 1;
  trial.capture.first_host_ns = 0;
  trial.capture.holes.push_back({5, 12, 2'000'000'000, 3'500'000'000, false, false});
  const std::string page = trial.page();
  EXPECT_TRUE(has(page, "The recording is not whole: 12 items are missing"));
  EXPECT_TRUE(has(page, "1.500 s, from 2.000 s to 3.500 s"));
  EXPECT_TRUE(has(page, "not in the recording"));  // shaded in the time line
}

}  // namespace
}  // namespace cw
