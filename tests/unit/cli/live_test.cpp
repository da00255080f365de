// The real program, live through a real FIFO in real time, against its replay.
#include <gtest/gtest.h>

#include <chrono>
#include <csignal>
#include <thread>

#include "record/session_reader.hpp"
#include "tests/unit/cli/live_trial.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::Ended;
using test::Feeder;
using test::LiveTrial;
using test::Program;
using test::run_program;
using test::whole_lines;

TEST(Live, replay_of_a_recorded_session_gives_the_same_bytes) {
  const LiveTrial trial;
  Program program(trial.folder, {"run", trial.engine, "--source", "csv:" + trial.fifo, "--out", trial.session});
  {
    const Feeder feeder(trial.fifo);
    feeder.write_in_real_time(test::trial_edges(1500, 2.6, 700));
  }
  ASSERT_EQ(program.wait(), 0) << program.err();
  const Ended replay = run_program(trial.folder, {"replay", trial.session, "--out", trial.folder / "again"});
  ASSERT_EQ(replay.code, 0) << replay.err;
  const std::string events = test::file_text(trial.session + "/events.jsonl");
  EXPECT_EQ(test::file_text(trial.folder / "again/events.jsonl"), events);
  EXPECT_NE(events.find("\"wall_time\":\"2"), std::string::npos);
  EXPECT_NE(events.find("missed-edge"), std::string::npos);
  const std::string trend = test::file_text(trial.session + "/trend.csv");
  EXPECT_EQ(test::file_text(trial.folder / "again/trend.csv"), trend);
  EXPECT_GE(whole_lines(trend).size(), 3U);
  // And a replay of the replay.
  ASSERT_EQ(run_program(trial.folder, {"replay", trial.folder / "again", "--out", trial.folder / "third"}).code, 0);
  EXPECT_EQ(test::file_text(trial.folder / "third/events.jsonl"), events);
  EXPECT_EQ(test::file_text(trial.folder / "third/trend.csv"), trend);
}

TEST(Live, a_bad_line_is_told_and_recorded_as_a_gap) {
  const LiveTrial trial;
  Program program(trial.folder, {"run", trial.engine, "--source", "csv:" + trial.fifo, "--out", trial.session});
  {
    const Feeder feeder(trial.fifo);
    feeder.write("t_ns,channel,edge\n1000,crank,f\nwhat?\n2000,crank,f\n");
  }
  EXPECT_EQ(program.wait(), 4);
  EXPECT_NE(program.err().find("edges.fifo:3: expected t_ns,channel,edge, found \"what?\""), std::string::npos);
  EXPECT_NE(test::file_text(trial.session + "/service.jsonl").find("\"event\":\"bad-input\",\"count\":1"),
            std::string::npos);
  EXPECT_EQ(run_program(trial.folder, {"replay", trial.session}).code, 4);
}

TEST(Live, a_signal_ends_it_in_good_order_even_with_no_one_writing_to_the_fifo) {
  for (const int signal : {SIGINT, SIGTERM}) {
    const LiveTrial trial;
    Program program(trial.folder, {"run", trial.engine, "--source", "csv:" + trial.fifo, "--out", trial.session});
    for (int i = 0; i < 3000 && test::file_text(trial.session + "/service.jsonl").empty(); ++i) {
      std::this_thread::sleep_for(std::chrono::milliseconds(20));
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(600));
    program.send(signal);
    EXPECT_EQ(program.wait(), 0) << program.err();
    const auto summary = parse_json(test::file_text(trial.session + "/summary.json"));
    EXPECT_EQ(summary.at("recording").at("stopped_by"), "signal");
    EXPECT_GE(summary.at("items"), 3);  // connected, and ticks
  }
}

TEST(Live, killed_in_mid_run_leaves_a_readable_session_and_no_finding_without_its_evidence) {
  for (const int milliseconds : {300, 700, 1200, 1550}) {
    const LiveTrial trial;
    Program program(trial.folder, {"run", trial.engine, "--source", "csv:" + trial.fifo, "--out", trial.session});
    std::thread killer([&] {
      std::this_thread::sleep_for(std::chrono::milliseconds(milliseconds));
      program.send(SIGKILL);
    });
    {
      const Feeder feeder(trial.fifo);
      feeder.write_in_real_time(test::trial_edges(3000, 2.0, 150));
    }
    killer.join();
    ASSERT_EQ(program.wait(), -SIGKILL);

    auto reader = SessionReader::open(trial.session);
    ASSERT_TRUE(std::holds_alternative<SessionReader>(reader));
    auto& session = std::get<SessionReader>(reader);
    EXPECT_FALSE(session.closed_in_good_order());
    std::uint64_t items = 0;
    for (ItemBuffer some; session.next(some);) {
      items += some.items.size();
    }
    EXPECT_EQ(session.report().missing_items, 0U);
    for (const std::string& line : whole_lines(test::file_text(trial.session + "/events.jsonl"))) {
      EXPECT_LT(parse_json(line).at("evidence").at("last_sequence").get<std::uint64_t>(), items);
    }
    // What was found before the kill is found again from what was recorded.
    const Ended replay = run_program(trial.folder, {"replay", trial.session, "--out", trial.folder / "again"});
    ASSERT_TRUE(replay.code == 0 || replay.code == 4) << replay.err;
    const std::string recorded = test::file_text(trial.session + "/events.jsonl");
    const std::string again = test::file_text(trial.folder / "again/events.jsonl");
    const auto lines = whole_lines(recorded);
    EXPECT_EQ(whole_lines(again).size() >= lines.size(), true);
    for (std::size_t i = 0; i < lines.size(); ++i) {
      EXPECT_EQ(whole_lines(again)[i], lines[i]);
    }
    if (milliseconds >= 1200) {
      EXPECT_FALSE(lines.empty());
      EXPECT_GT(items, 1000U);
    }
  }
}

TEST(Live, standard_input_is_a_source_and_a_file_will_do_for_it) {
  const LiveTrial trial;
  test::write_text(trial.folder / "edges.csv", test::trial_csv(3000, 5, 0));
  const Ended run = run_program(trial.folder, {"run", trial.engine, "--source", "-", "--out", trial.session},
                                trial.folder / "edges.csv");
  EXPECT_EQ(run.code, 0) << run.err;
  const auto summary = parse_json(test::file_text(trial.session + "/summary.json"));
  EXPECT_EQ(summary.at("edges"), test::trial_edges(3000, 5, 0).size());
  EXPECT_EQ(summary.at("recording").at("lost_items"), 0);
}

TEST(Live, bad_command_lines_are_one_line_and_exit_2_or_3) {
  const LiveTrial trial;
  const auto run = [&](const std::vector<std::string>& more) {
    std::vector<std::string> arguments = {"run", trial.engine, "--out", trial.session};
    arguments.insert(arguments.end(), more.begin(), more.end());
    return run_program(trial.folder, arguments);
  };
  EXPECT_EQ(run({}).code, 2);
  EXPECT_EQ(run({}).err,
            "crankwitness: " + trial.engine + ": expected 1 to 255 sources, as [[source]] or with --source, found 0\n");
  EXPECT_EQ(run({"--source", "nothing:/dev/x"}).code, 2);
  EXPECT_EQ(run({"--source", "csv:/no/such/file"}).code, 3);
  EXPECT_EQ(run({"--source", "csv:/no/such/file"}).err,
            "crankwitness: /no/such/file: cannot open: No such file or directory\n");
  EXPECT_FALSE(std::filesystem::exists(trial.session));
}

}  // namespace
}  // namespace cw
