// The real program replaying files and sessions.
#include <gtest/gtest.h>

#include <chrono>
#include <csignal>
#include <sstream>
#include <thread>

#include "record/capture_block.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::Ended;
using test::run_program;
using test::ScratchFolder;

struct ReplayTrial {
  explicit ReplayTrial(const std::string& csv = test::trial_csv(3000, 4, 777)) {
    test::write_text(engine, test::trial_engine);
    test::write_text(edges, csv);
  }
  Ended replay(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), "replay");
    return run_program(folder, arguments);
  }
  Ended replay_edges(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), {edges, "--engine", engine});
    return replay(arguments);
  }
  const ScratchFolder folder;
  const std::string engine = folder / "engine.toml";
  const std::string edges = folder / "edges.csv";
};

TEST(Replay, of_a_file_and_of_its_session_give_the_same_bytes) {
  const ReplayTrial trial;
  ASSERT_EQ(trial.replay_edges({"--out", trial.folder / "one"}).code, 0);
  ASSERT_EQ(trial.replay({trial.folder / "one", "--out", trial.folder / "two"}).code, 0);
  const std::string events = test::file_text(trial.folder / "one/events.jsonl");
  EXPECT_NE(events.find("\"kind\":\"missed-edge\""), std::string::npos);
  EXPECT_EQ(events.find("wall_time"), std::string::npos);  // a raw file has no wall time
  EXPECT_EQ(test::file_text(trial.folder / "two/events.jsonl"), events);
  EXPECT_EQ(test::file_text(trial.folder / "two/trend.csv"), test::file_text(trial.folder / "one/trend.csv"));
  const std::string info = test::file_text(trial.folder / "two/session.toml");
  EXPECT_NE(info.find("engine_replaced = false"), std::string::npos);
  EXPECT_NE(info.find("000001.cwr\"\nbytes = "), std::string::npos);
}

TEST(Replay, pace_changes_nothing_but_the_time_it_takes) {
  const ReplayTrial trial;
  ASSERT_EQ(trial.replay_edges({"--out", trial.folder / "fast"}).code, 0);
  const auto begin = std::chrono::steady_clock::now();
  ASSERT_EQ(trial.replay_edges({"--out", trial.folder / "paced", "--speed", "5"}).code, 0);
  EXPECT_GE(std::chrono::steady_clock::now() - begin, std::chrono::milliseconds(750));  // 4 s at 5 times
  for (const char* name : {"/events.jsonl", "/trend.csv"}) {
    EXPECT_EQ(test::file_text(trial.folder / "paced" + name), test::file_text(trial.folder / "fast" + name));
  }
}

TEST(Replay, of_a_bad_file_processes_what_came_before_and_exits_3) {
  const ReplayTrial trial(test::trial_csv(3000, 3, 0) + "oops\n");
  const Ended ended = trial.replay_edges({"--out", trial.folder / "s"});
  EXPECT_EQ(ended.code, 3);
  const std::size_t lines = test::trial_edges(3000, 3, 0).size() + 2;
  EXPECT_EQ(ended.err, "crankwitness: " + trial.edges + ":" + std::to_string(lines) +
                           ": expected t_ns,channel,edge, found \"oops\"\n");
  const auto summary = parse_json(test::file_text(trial.folder / "s/summary.json"));
  EXPECT_EQ(summary.at("edges"), lines - 2);
  EXPECT_EQ(summary.at("recording").at("stopped_by"), "bad input");
}

TEST(Replay, never_writes_into_its_source_nor_over_anything) {
  const ReplayTrial trial;
  ASSERT_EQ(trial.replay_edges({"--out", trial.folder / "s"}).code, 0);
  const std::string session = trial.folder / "s";
  EXPECT_EQ(trial.replay({session, "--out", session}).code, 2);
  EXPECT_EQ(trial.replay({session, "--out", session + "/inside"}).code, 2);
  EXPECT_EQ(trial.replay({session, "--out", trial.folder / "x/../s/inside"}).code, 2);
  EXPECT_EQ(trial.replay({session, "--cycles", session + "/cycles.csv"}).code, 2);
  EXPECT_EQ(trial.replay_edges({"--cycles", trial.edges}).code, 2);
  EXPECT_EQ(trial.replay_edges({"--out", session}).code, 5);
  EXPECT_EQ(trial.replay_edges({"--cycles", trial.engine}).code, 5);
  EXPECT_EQ(test::file_text(trial.engine), test::trial_engine);
}

TEST(Replay, wrong_uses_give_one_line_and_exit_2_or_3) {
  const ReplayTrial trial;
  const auto expect = [&](const std::vector<std::string>& arguments, int code, const std::string& line) {
    const Ended ended = trial.replay(arguments);
    EXPECT_EQ(ended.code, code) << ended.err;
    EXPECT_EQ(ended.err, "crankwitness: " + line + "\n");
  };
  expect({trial.edges}, 2, trial.edges + ": expected --engine FILE with a raw file");
  expect({trial.folder / "none", "--engine", trial.engine}, 3,
         trial.folder / "none" + ": cannot open: No such file or directory");
  expect({trial.folder.path(), "--engine", trial.engine}, 3,
         trial.folder.path() +
             ": expected a session folder (with session.toml and capture/) or a file, found something else");
  expect(
      {trial.edges, trial.edges, "--engine", trial.engine}, 2,
      trial.edges + ", " + trial.edges +
          ": expected --same-clock when one clock stamped these files, or --shift NAME=SECONDS to say how much is to "
          "be added to the times of one");
  expect({trial.edges, "--engine", trial.engine, "--same-clock"}, 2, "--same-clock: expected several files, found one");
  EXPECT_EQ(trial.replay({trial.engine, "--engine", trial.engine}).code, 3);
  EXPECT_EQ(trial.replay({trial.edges, "--engine", trial.edges}).code, 2);
  EXPECT_EQ(trial.replay({}).code, 2);
  EXPECT_EQ(trial.replay_edges({"--speed", "0"}).code, 2);
  EXPECT_EQ(run_program(trial.folder, {"--version"}).code, 0);
}

TEST(Replay, of_a_damaged_session_says_what_is_missing_and_exits_4) {
  const ReplayTrial trial;
  ASSERT_EQ(trial.replay_edges({"--out", trial.folder / "s"}).code, 0);
  const std::string path = trial.folder / "s/capture/000001.cwr";
  std::string bytes = test::file_text(path);
  bytes[bytes.size() / 2] ^= 1;
  test::write_text(path, bytes);
  const Ended ended = trial.replay({trial.folder / "s"});
  EXPECT_EQ(ended.code, 4);
  EXPECT_NE(ended.err.find("the recording is not whole: "), std::string::npos) << ended.err;
  EXPECT_NE(ended.err.find(" are missing, "), std::string::npos);
  EXPECT_NE(ended.err.find("checksum does not fit"), std::string::npos);
}

TEST(Replay, what_if_with_another_engine_file_is_recorded_as_such) {
  const ReplayTrial trial;
  ASSERT_EQ(trial.replay_edges({"--out", trial.folder / "s"}).code, 0);
  std::string changed = test::trial_engine;
  changed.replace(changed.find("90.0"), 4, "93.0");
  test::write_text(trial.folder / "changed.toml", changed);
  ASSERT_EQ(
      trial.replay({trial.folder / "s", "--engine", trial.folder / "changed.toml", "--out", trial.folder / "t"}).code,
      0);
  EXPECT_NE(test::file_text(trial.folder / "t/session.toml").find("engine_replaced = true"), std::string::npos);
  EXPECT_NE(test::file_text(trial.folder / "t/trend.csv"), test::file_text(trial.folder / "s/trend.csv"));
}

TEST(Replay, json_is_a_line_a_finding_and_a_summary) {
  const ReplayTrial trial;
  const Ended ended = trial.replay_edges({"--json", "--out", trial.folder / "s"});
  ASSERT_EQ(ended.code, 0);
  const std::string events = test::file_text(trial.folder / "s/events.jsonl");
  ASSERT_EQ(ended.out.compare(0, events.size(), events), 0);
  const auto summary = parse_json(ended.out.substr(events.size()));
  EXPECT_EQ(summary, parse_json(test::file_text(trial.folder / "s/summary.json")));
}

TEST(Replay, fail_on_turns_findings_into_an_exit_code) {
  const ReplayTrial trial;
  EXPECT_EQ(trial.replay_edges({"--fail-on", "warning"}).code, 1);
  const ReplayTrial clean(test::trial_csv(3000, 4, 0));
  EXPECT_EQ(clean.replay_edges({"--fail-on", "warning"}).code, 0);
  EXPECT_NE(clean.replay_edges({}).out.find("No fault seen."), std::string::npos);
}

// The wheel's reference tooth at 630 degrees; the run begins at angle 0 at 3000 rpm, so TDC1 comes every 40 ms: 18000
// degrees a second, 720 degrees in 40 ms.
TEST(Replay, cycles_file_has_a_row_a_cycle_with_its_tdc) {
  const ReplayTrial trial(test::trial_csv(3000, 4, 0));
  ASSERT_EQ(trial.replay_edges({"--cycles", trial.folder / "c.csv"}).code, 0);
  std::istringstream lines(test::file_text(trial.folder / "c.csv"));
  std::string line;
  std::getline(lines, line);
  EXPECT_EQ(line, "cycle,tdc_ns,rpm,uncertainty_deg,reference_deviation_deg,state,phase_intake_deg");
  int rows = 0;
  while (std::getline(lines, line)) {
    if (line.find(",cycle-locked,") == std::string::npos) {
      continue;  // the other turn is not told apart yet
    }
    const std::size_t comma = line.find(',');
    const auto tdc_ns = std::stoll(line.substr(comma + 1));
    const auto off_ns = (tdc_ns + 20'000'000) % 40'000'000 - 20'000'000;
    EXPECT_LT(std::abs(off_ns), 2000) << line;  // 0.036 degrees
    ++rows;
  }
  EXPECT_GE(rows, 95);  // of 100
}

TEST(Replay, stopped_by_a_signal_closes_its_session_and_exits_6) {
  const ReplayTrial trial(test::trial_csv(3000, 4, 0));
  test::Program program(
      trial.folder, {"replay", trial.edges, "--engine", trial.engine, "--speed", "0.5", "--out", trial.folder / "s"});
  std::this_thread::sleep_for(std::chrono::milliseconds(600));
  program.send(SIGINT);
  EXPECT_EQ(program.wait(), 6);
  const auto summary = parse_json(test::file_text(trial.folder / "s/summary.json"));
  EXPECT_EQ(summary.at("recording").at("stopped_by"), "signal");
}

TEST(Replay, an_empty_recording_says_that_nothing_can_be_said) {
  const ReplayTrial trial("t_ns,channel,edge\n");
  const Ended ended = trial.replay_edges({"--out", trial.folder / "s"});
  EXPECT_EQ(ended.code, 0) << ended.err;
  EXPECT_NE(ended.out.find("No edge seen: nothing can be said."), std::string::npos);
}

}  // namespace
}  // namespace cw
