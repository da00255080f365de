#include <gtest/gtest.h>

#include "cli/status.hpp"
#include "serve/status_json.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

struct Told {
  Told() { session = state.begin_session(make_facts()); }
  static SessionFacts make_facts() {
    SessionFacts facts;
    facts.engine.name = "trial";
    facts.folder = "sessions/trial";
    return facts;
  }
  void records(bool recording = true) {
    RunHealth health;
    health.writer_done = std::chrono::steady_clock::now();
    health.recording.recording = recording;
    health.recording.trouble = recording ? "" : "the disk is full";
    state.take(session, health);
  }
  void goes_to(LockState to) { state.take(session, StateChange{LockState::searching, to, 0, 0}); }
  StatusWords words() const { return status_in_words(status_json(state.status())); }

  LiveState state{"crankwitness 1"};
  unsigned session = 0;
};

TEST(StatusWords, exit_with_0_when_all_is_well_1_for_findings_4_when_nothing_is_recorded) {
  Told told;
  told.records();
  told.goes_to(LockState::cycle_locked);
  EXPECT_EQ(told.words().code, ExitCode::done);
  EXPECT_NE(told.words().text.find("cycle-locked"), std::string::npos);
  EXPECT_NE(told.words().text.find("no fault seen"), std::string::npos);
  told.goes_to(LockState::lost);
  EXPECT_EQ(told.words().code, ExitCode::findings);
  told.goes_to(LockState::cycle_locked);
  Finding finding;
  finding.kind = FindingKind::cam_step;
  finding.severity = Severity::fault;
  told.state.take(told.session, finding, wall_now_ns());
  EXPECT_EQ(told.words().code, ExitCode::findings);
  EXPECT_NE(told.words().text.find("last: cam-step"), std::string::npos);
  told.records(false);
  EXPECT_EQ(told.words().code, ExitCode::lossy);
  EXPECT_NE(told.words().text.find("NOT RECORDING to sessions/trial (the disk is full)"), std::string::npos);
}

TEST(StatusWords, of_what_is_no_status_are_an_error) {
  for (const char* text : {"", "{}", "[]", "<html>", "{\"stale\":1}"}) {
    EXPECT_EQ(status_in_words(text).code, ExitCode::bad_input) << text;
  }
}

}  // namespace
}  // namespace cw
