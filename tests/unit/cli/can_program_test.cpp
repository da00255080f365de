// CAN logs through the real program: alone, beside edges, recorded, replayed and recovered.
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <sstream>

#include "cli/file_shifts.hpp"
#include "live_trial.hpp"
#include "record/session_reader.hpp"
#include "replay_trial.hpp"
#include "tests/unit/drivers/can_lines.hpp"

namespace cw {
namespace {

using test::Ended;
using test::file_text;
using test::run_program;
using test::write_text;

// A second of the trial engine's edges, whose clock begins at 0, and frames of two interfaces 100 s later by theirs.
struct CanTrial : test::ReplayTrial {
  CanTrial() : ReplayTrial(test::trial_engine, 1, lines_of_two()) {}

  static std::string lines_of_two() {
    std::string lines;
    for (int i = 0; i < 100; ++i) {
      const std::string ms = std::to_string(i * 10);
      lines += "(" + std::to_string(100 + i / 100) + "." + std::string(3 - ms.size(), '0') + ms + ") can" +
               std::to_string(i % 2) + " " + (i % 3 == 0 ? "123#11" : "00000123##1AABB") + "\n";
    }
    return lines;
  }
};

ItemBuffer items_of(const std::string& session) {
  auto reader = SessionReader::open(session);
  ItemBuffer all;
  ItemBuffer some;
  while (std::get<SessionReader>(reader).next(some)) {
    for (const Item& item : some.items) {
      all.add_copy(item, some.payload);
    }
  }
  return all;
}

TEST(CanLog, replays_alone_and_is_recorded_frame_for_frame) {
  const CanTrial trial;
  const Ended ended = trial.replay({trial.log, "--engine", trial.engine, "--out", trial.folder / "s"});
  EXPECT_EQ(ended.code, 0) << ended.err;
  EXPECT_NE(ended.out.find("0 edges and 100 CAN frames in 0.990 s; channels: can0, can1"), std::string::npos)
      << ended.out;
  const ItemBuffer items = items_of(trial.folder / "s");
  EXPECT_EQ(test::channel_names(items), (std::vector<std::string>{"can0", "can1"}));
  std::istringstream frames(test::lines_of_frames(items));
  std::istringstream lines(file_text(trial.log));
  int count = 0;
  for (std::string frame, line; std::getline(frames, frame) && std::getline(lines, line); ++count) {
    EXPECT_EQ(frame.substr(frame.rfind(' ')), line.substr(line.rfind(' ')));
  }
  EXPECT_EQ(count, 100);
}

TEST(CanLog, beside_edges_takes_its_place_by_the_shift_and_a_session_of_both_replays_and_recovers_to_the_same_bytes) {
  const CanTrial trial;
  const std::string s = trial.folder / "s";
  const Ended ended = trial.replay({trial.edges, trial.log, "--shift", "can.log=-100", "--engine", trial.engine,
                                    "--out", s, "--cycles", trial.folder / "both.csv"});
  EXPECT_EQ(ended.code, 0) << ended.err;
  std::int64_t last_ns = INT64_MIN;
  std::size_t switches = 0;
  std::uint8_t source = 0;
  for (const Item& item : items_of(s).items) {
    EXPECT_GE(item.host_ns, last_ns);
    last_ns = item.host_ns;
    if (item.kind == ItemKind::can_frame || item.kind == ItemKind::edge) {
      EXPECT_EQ(item.source, item.kind == ItemKind::can_frame ? 1 : 0);
      EXPECT_EQ(item.host_ns, item.source_ns - (item.source == 1 ? 100'000'000'000 : 0));
      switches += item.source != source ? 1 : 0;
      source = item.source;
    }
  }
  EXPECT_GT(switches, 150U);  // they are mixed
  const auto session = SessionReader::open(s);
  EXPECT_EQ(std::get<SessionReader>(session).info()->sources.at(1).shift_ns, -100'000'000'000);

  EXPECT_EQ(trial.replay({s, "--out", trial.folder / "again"}).code, 0);
  const Ended recovered = run_program(trial.folder, {"recover", s, "--out", trial.folder / "recovered"});
  EXPECT_EQ(recovered.code, 0) << recovered.err;
  EXPECT_EQ(trial.replay({trial.folder / "recovered", "--out", trial.folder / "recovered-again"}).code, 0);
  const std::string frames = test::lines_of_frames(items_of(s));
  for (const std::string other : {"again", "recovered", "recovered-again"}) {
    EXPECT_EQ(test::lines_of_frames(items_of(trial.folder / other)), frames) << other;
    EXPECT_EQ(file_text(trial.folder / (other + "/events.jsonl")), file_text(s + "/events.jsonl")) << other;
    EXPECT_EQ(file_text(trial.folder / (other + "/trend.csv")), file_text(s + "/trend.csv")) << other;
  }

  // The log changes nothing of what the edges say.
  EXPECT_EQ(trial.replay({trial.edges, "--engine", trial.engine, "--cycles", trial.folder / "alone.csv"}).code, 0);
  EXPECT_EQ(file_text(trial.folder / "both.csv"), file_text(trial.folder / "alone.csv"));
}

TEST(CanLog, of_the_same_clock_needs_no_shift_and_the_order_of_the_files_does_not_matter) {
  const CanTrial trial;
  write_text(trial.folder / "0.log", "(0.1) can0 001#\n(0.9) can0 002#\n");
  EXPECT_EQ(trial
                .replay({trial.edges, trial.folder / "0.log", "--same-clock", "--engine", trial.engine, "--out",
                         trial.folder / "a"})
                .code,
            0);
  EXPECT_EQ(trial
                .replay({trial.folder / "0.log", trial.edges, "--same-clock", "--engine", trial.engine, "--out",
                         trial.folder / "b"})
                .code,
            0);
  EXPECT_EQ(file_text(trial.folder / "a/trend.csv"), file_text(trial.folder / "b/trend.csv"));
}

TEST(CanLog, of_clocks_that_are_years_apart_is_refused_with_what_to_do) {
  const CanTrial trial;
  write_text(trial.log, "(1436509052.249713) can0 123#\n");
  const Ended ended = trial.replay({trial.edges, trial.log, "--same-clock", "--engine", trial.engine});
  EXPECT_EQ(ended.code, 3);
  EXPECT_EQ(ended.err, "crankwitness: " + trial.log + ": expected it to begin at most 24 h after " + trial.edges +
                           " (0 s), found 1436509052 s; --shift NAME=SECONDS adds to the times of a file\n");
}

TEST(CanLog, that_is_wrong_somewhere_is_analysed_up_to_there) {
  const CanTrial trial;
  write_text(trial.log, file_text(trial.log) + "(101.0) can0 12#\n");
  const Ended ended = trial.replay({trial.log, "--engine", trial.engine});
  EXPECT_EQ(ended.code, 3);
  EXPECT_NE(ended.out.find("100 CAN frames"), std::string::npos);
  EXPECT_EQ(ended.err, "crankwitness: " + trial.log +
                           ":101:16: expected an identifier of 3 or 8 hex digits, then #, found \"#\"\n");
}

TEST(CanLog, live_through_a_pipe_is_recorded_and_its_bad_lines_are_gaps) {
  const test::LiveTrial trial;
  test::Program program(trial.folder,
                        {"run", trial.engine, "--source", "candump:" + trial.fifo, "--out", trial.session});
  {
    const test::Feeder feeder(trial.fifo);
    EXPECT_TRUE(feeder.write("(5.0) can0 123#11\nnonsense\n(5.1) can0 7FF#R4\n"));
  }
  EXPECT_EQ(program.wait(), 4) << program.err();
  EXPECT_EQ(test::lines_of_frames(items_of(trial.session)), "0 5000000000 123#11\n0 5100000000 7FF#R4\n");
  EXPECT_NE(file_text(trial.session + "/events.jsonl").find("\"frames-dropped\""), std::string::npos);
  EXPECT_NE(program.err().find(":2:1: expected \"(\" before the time, found \"nonsense\""), std::string::npos)
      << program.err();
}

// Waiting for ever on a machine that has no CAN, or not that interface.
TEST(CanInterface, that_is_not_there_is_told_and_tried_again_until_the_run_ends) {
  const test::LiveTrial trial;
  test::Program program(trial.folder, {"run", trial.engine, "--source", "socketcan:cwnone0", "--out", trial.session});
  for (int i = 0; i < 200 && program.err().find("trying again until it is there") == std::string::npos; ++i) {
    ::usleep(50'000);
  }
  EXPECT_NE(program.err().find("cwnone0: cannot open: "), std::string::npos) << program.err();
  program.send(SIGINT);
  EXPECT_EQ(program.wait(), 0);
  const Ended wrong = run_program(trial.folder, {"run", trial.engine, "--source", "socketcan:a name that is too long"});
  EXPECT_EQ(wrong.code, 2);
}

// ---- --same-clock and --shift

std::string problem_of(const std::vector<std::string>& files, const std::vector<std::string>& shifts, bool same) {
  const auto result = file_shifts(files, shifts, same);
  const auto* problem = std::get_if<std::string>(&result);
  return problem == nullptr ? "" : *problem;
}

TEST(FileShifts, are_exact_to_the_nanosecond_and_found_by_name_or_path) {
  using Shifts = std::vector<std::int64_t>;
  const auto of = [](const std::vector<std::string>& files, const std::vector<std::string>& shifts) {
    return std::get<Shifts>(file_shifts(files, shifts, false));
  };
  EXPECT_EQ(of({"a/e.csv", "b/can.log"}, {"can.log=-1436509052.249713001"}), (Shifts{0, -1'436'509'052'249'713'001}));
  EXPECT_EQ(of({"a/e.csv", "b/can.log"}, {"a/e.csv=+0.5", "can.log=3"}), (Shifts{500'000'000, 3'000'000'000}));
  EXPECT_EQ(of({"x=y.log", "e.csv"}, {"x=y.log=1"}), (Shifts{1'000'000'000, 0}));
  EXPECT_EQ(std::get<Shifts>(file_shifts({"one"}, {}, false)), Shifts{0});
  EXPECT_EQ(std::get<Shifts>(file_shifts({"one", "two"}, {}, true)), (Shifts{0, 0}));
}

TEST(FileShifts, wrong_ones_are_refused_in_one_line) {
  const std::vector<std::string> two = {"a/e.csv", "b/can.log"};
  EXPECT_NE(problem_of(two, {}, false).find("expected --same-clock"), std::string::npos);
  EXPECT_EQ(problem_of(two, {"can.log=1"}, true), "--same-clock: expected this or --shift, found both");
  EXPECT_EQ(problem_of({"a"}, {"a=1"}, false), "--shift: expected several files, found one");
  EXPECT_EQ(problem_of(two, {"x=1"}, false), "--shift: expected one of the files (a/e.csv, b/can.log), found \"x\"");
  EXPECT_EQ(problem_of({"a/x", "b/x"}, {"x=1"}, false), "--shift: expected one of the files (a/x, b/x), found \"x\"");
  EXPECT_EQ(problem_of(two, {"can.log=1", "can.log=2"}, false),
            "--shift: expected each file once, found b/can.log again");
  for (const std::string wrong : {"can.log", "can.log=", "can.log=x", "can.log=1.", "can.log=.5",
                                  "can.log=1.0000000001", "can.log=4000000001", "can.log=--1", "can.log=1e3"}) {
    EXPECT_EQ(problem_of(two, {wrong}, false).find("--shift: expected NAME=SECONDS, such as can.log=-12.5"), 0U)
        << wrong;
  }
}

}  // namespace
}  // namespace cw
