#include "serve/live_state.hpp"

#include <gtest/gtest.h>

#include "serve/status_json.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

Finding finding(FindingKind kind, FindingPhase phase, std::uint64_t id, Severity severity = Severity::warning) {
  Finding made;
  made.kind = kind;
  made.phase = phase;
  made.id = id;
  made.severity = severity;
  return made;
}

SessionFacts facts(std::vector<std::string> cams = {"intake"}) {
  SessionFacts made;
  made.engine.name = "trial";
  for (std::string& name : cams) {
    made.engine.cams.emplace_back().name = std::move(name);
  }
  made.folder = "sessions/trial";
  return made;
}

constexpr std::int64_t now = 1'000'000'000'000'000'000;

TEST(LiveState, keeps_the_latest_and_counts_over_all_sessions) {
  LiveState state("crankwitness 1");
  const unsigned first = state.begin_session(facts());
  Second second;
  second.crank_edges = 100;
  second.missed_edges = 2;
  state.take(first, second);
  RunHealth health;
  health.edges = 130;
  state.take(first, health);
  health.edges = 150;
  state.take(first, health);
  const unsigned next = state.begin_session(facts());
  EXPECT_FALSE(state.status().second);
  health.edges = 10;
  state.take(next, health);
  state.take(next, second);
  const LiveStatus status = state.status();
  EXPECT_EQ(status.counts.edges, 160U);
  EXPECT_EQ(status.counts.crank_edges, 200U);
  EXPECT_EQ(status.counts.missed_edges, 4U);
  EXPECT_EQ(status.counts.sessions, 2U);
  EXPECT_EQ(state.rows(0).size(), 2U);
  EXPECT_EQ(state.rows(1).size(), 1U);
}

TEST(LiveState, is_not_changed_by_what_a_session_says_that_is_over_but_counts_it) {
  LiveState state("crankwitness 1");
  const unsigned old = state.begin_session(facts());
  const unsigned now_running = state.begin_session(facts());
  state.take(now_running, StateChange{LockState::no_signal, LockState::searching, 0, 0});
  state.take(old, StateChange{LockState::searching, LockState::lost, 0, 0});
  state.take(old, finding(FindingKind::link_lost, FindingPhase::open, 7), now);
  const LiveStatus status = state.status();
  EXPECT_EQ(status.state, LockState::searching);
  EXPECT_EQ((status.counts.findings.at({FindingKind::link_lost, Severity::warning})), 1U);
  EXPECT_FALSE(status.findings.at(0).is_open());
}

TEST(LiveState, a_condition_lasts_until_it_is_closed_and_is_counted_once) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(facts());
  state.take(session, finding(FindingKind::tdc_deviation, FindingPhase::open, 3), now);
  EXPECT_TRUE(state.status().findings.at(0).is_open());
  state.take(session, finding(FindingKind::tdc_deviation, FindingPhase::close, 3), now + 5);
  const LiveStatus status = state.status();
  ASSERT_EQ(status.findings.size(), 1U);
  EXPECT_EQ(status.findings[0].over_ns, now + 5);
  EXPECT_EQ((status.counts.findings.at({FindingKind::tdc_deviation, Severity::warning})), 1U);
}

TEST(LiveState, holds_the_last_twenty_findings_and_those_that_last) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(facts());
  state.take(session, finding(FindingKind::link_lost, FindingPhase::open, 1, Severity::fault), now);
  for (std::uint64_t id = 2; id < 1000; ++id) {
    state.take(session, finding(FindingKind::missed_edge, FindingPhase::single, id), now);
  }
  const LiveStatus status = state.status();
  EXPECT_EQ(status.findings.size(), LiveState::findings_max + 1);
  EXPECT_EQ(status.findings.front().finding.id, 999U);
  EXPECT_EQ(status.findings.back().finding.id, 1U);
  EXPECT_EQ(gravest_lately(status), Severity::fault);
  for (std::uint64_t id = 1000; id < 1200; ++id) {
    state.take(session, finding(FindingKind::bus_trouble, FindingPhase::open, id), now);
  }
  EXPECT_LE(state.status().findings.size(), LiveState::findings_max + LiveState::open_findings_max);
}

TEST(LiveState, what_is_old_no_longer_counts_as_of_lately) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(facts());
  state.take(session, finding(FindingKind::missed_edge, FindingPhase::single, 1), wall_now_ns() - 601'000'000'000);
  EXPECT_EQ(gravest_lately(state.status()), Severity::info);
  state.take(session, finding(FindingKind::missed_edge, FindingPhase::single, 2), wall_now_ns());
  EXPECT_EQ(gravest_lately(state.status()), Severity::warning);
}

TEST(LiveState, is_stale_when_nothing_was_said_for_three_seconds_and_not_before) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(facts());
  state.take(session, Second{});
  LiveStatus status = state.status();
  EXPECT_FALSE(is_stale(status));
  status.now += std::chrono::milliseconds(3100);
  EXPECT_TRUE(is_stale(status));
}

TEST(LiveState, recording_is_only_what_is_really_being_written) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(facts());
  EXPECT_FALSE(is_recording(state.status())) << "nothing is known yet";
  RunHealth health;
  health.writer_done = std::chrono::steady_clock::now();
  health.recording.recording = true;
  state.take(session, health);
  LiveStatus status = state.status();
  EXPECT_TRUE(is_recording(status));
  status.health.recording.waits_for_disk_s = 2;
  EXPECT_FALSE(is_recording(status));
  status.health.recording.waits_for_disk_s = 0;
  status.now += std::chrono::seconds(4);
  EXPECT_FALSE(is_recording(status)) << "the writer hangs";
  health.recording.recording = false;
  state.take(session, health);
  EXPECT_FALSE(is_recording(state.status()));
}

TEST(LiveState, keeps_fifteen_minutes_of_rows_and_drops_them_when_the_cams_are_others) {
  LiveState state("crankwitness 1");
  unsigned session = state.begin_session(facts());
  for (int i = 0; i < 1000; ++i) {
    state.take(session, Second{});
  }
  EXPECT_EQ(state.rows(0).size(), LiveState::rows_max);
  EXPECT_EQ(state.rows(0).front().number, 100U);
  session = state.begin_session(facts());
  EXPECT_EQ(state.rows(0).size(), LiveState::rows_max);
  state.begin_session(facts({"intake", "exhaust"}));
  EXPECT_TRUE(state.rows(0).empty());
}

TEST(StatusJson, says_null_for_what_is_not_known_and_never_a_number) {
  LiveState state("crankwitness 1");
  const unsigned session = state.begin_session(facts());
  Second second;
  second.rpm = std::numeric_limits<double>::infinity();
  second.tdc_deviation_deg = -0.25;
  state.take(session, second);
  const Json json = parse_json(status_json(state.status()));
  EXPECT_TRUE(json.at("crank").at("rpm").is_null());
  EXPECT_TRUE(json.at("crank").at("sync_margin").is_null());
  EXPECT_EQ(json.at("crank").at("tdc_deviation_deg"), -0.25);
  EXPECT_TRUE(json.at("cams").at(0).at("phase_deg").is_null());
  const Json rows = parse_json(rows_json(state.status(), state.rows(0)));
  EXPECT_EQ(rows.at("rows").at(0).size(), 8U);
}

}  // namespace
}  // namespace cw
