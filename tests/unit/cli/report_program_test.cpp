// The real program making reports: asked to, and by itself at the end of a live session.
#include <gtest/gtest.h>

#include "record/session_writer.hpp"
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
using test::ScratchFolder;

struct ReportTrial {
  explicit ReportTrial(const std::string& engine_text = test::trial_engine) {
    test::write_text(folder / "engine.toml", engine_text);
    test::write_text(folder / "edges.csv", test::trial_csv(3000, 4, 777));
    EXPECT_EQ(
        run_program(folder, {"replay", folder / "edges.csv", "--engine", folder / "engine.toml", "--out", session})
            .code,
        0);
  }
  Ended report(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), "report");
    return run_program(folder, arguments);
  }
  const ScratchFolder folder;
  const std::string session = folder / "session";
};

TEST(Report, of_a_session_is_one_file_and_the_same_bytes_each_time) {
  const ReportTrial trial;
  const Ended ended = trial.report({trial.session});
  ASSERT_EQ(ended.code, 0) << ended.err;
  EXPECT_EQ(ended.out, "report written to " + trial.session + "/report.html\n");
  const std::string page = test::file_text(trial.session + "/report.html");
  EXPECT_NE(page.find("Missed edge (crank)"), std::string::npos);
  EXPECT_NE(page.find("</html>"), std::string::npos);
  ASSERT_EQ(trial.report({trial.session}).code, 0);  // over the old one
  EXPECT_EQ(test::file_text(trial.session + "/report.html"), page);
  ASSERT_EQ(trial.report({trial.session, "--out", trial.folder / "elsewhere.html"}).code, 0);
  EXPECT_EQ(test::file_text(trial.folder / "elsewhere.html"), page);
}

TEST(Report, never_writes_among_what_was_recorded) {
  const ReportTrial trial;
  for (const char* place : {"/session.toml", "/capture/000001.cwr", "/capture/report.html", "/other.html"}) {
    const Ended ended = trial.report({trial.session, "--out", trial.session + place});
    EXPECT_EQ(ended.code, 2) << place;
    EXPECT_NE(ended.err.find("expected a place outside of the session, or its report.html"), std::string::npos);
  }
}

TEST(Report, says_what_is_wrong_in_one_line) {
  const ReportTrial trial;
  EXPECT_EQ(trial.report({trial.folder / "edges.csv"}).code, 3);
  EXPECT_EQ(trial.report({trial.folder / "nothing"}).code, 3);
  EXPECT_EQ(trial.report({trial.session, "--out", trial.folder / "no/folder.html"}).code, 5);
  const Ended alone = trial.report({trial.session + "/capture", "--out", trial.folder / "a.html"});
  EXPECT_EQ(alone.code, 2);
  EXPECT_NE(alone.err.find("replay it with --engine FILE --out FOLDER"), std::string::npos);
  EXPECT_EQ(std::count(alone.err.begin(), alone.err.end(), '\n'), 1);
}

TEST(Report, an_engine_with_a_hostile_name_makes_a_tame_page) {
  const std::string name = "<script>alert(1)</script>";
  std::string engine = test::trial_engine;
  engine.replace(engine.find("trial one"), 9, name);
  const ReportTrial trial(engine);
  ASSERT_EQ(trial.report({trial.session}).code, 0);
  const std::string page = test::file_text(trial.session + "/report.html");
  EXPECT_EQ(page.find("<script"), std::string::npos);
  EXPECT_NE(page.find("&lt;script&gt;alert(1)"), std::string::npos);
}

TEST(Report, of_a_damaged_session_says_what_is_missing_and_exits_4) {
  const ReportTrial trial;
  const std::string segment = trial.session + "/capture/000001.cwr";
  std::string bytes = test::file_text(segment);
  bytes[bytes.size() / 2] ^= 1;
  test::write_text(segment, bytes);
  EXPECT_EQ(trial.report({trial.session}).code, 4);
  EXPECT_NE(test::file_text(trial.session + "/report.html").find("The recording is not whole"), std::string::npos);
}

TEST(LiveReport, is_there_at_the_end_of_a_session) {
  const LiveTrial trial;
  Program program(trial.folder, {"run", trial.engine, "--source", "csv:" + trial.fifo, "--out", trial.session});
  {
    const Feeder feeder(trial.fifo);
    feeder.write_in_real_time(test::trial_edges(1500, 2.0, 700));
  }
  ASSERT_EQ(program.wait(), 0) << program.err();
  const std::string page = test::file_text(trial.session + "/report.html");
  EXPECT_NE(page.find("</html>"), std::string::npos);
  EXPECT_NE(page.find(", begun 2"), std::string::npos);  // its wall time
  EXPECT_EQ(page.find("was still being written"), std::string::npos);
  EXPECT_EQ(page.find("this analysis gives"), std::string::npos);  // the same findings as live
  EXPECT_NE(program.err().find("report in " + trial.session + "/report.html"), std::string::npos) << program.err();
}

TEST(LiveReport, is_not_made_when_the_engine_file_says_so) {
  const LiveTrial trial;
  test::write_text(trial.engine, test::trial_engine + "\n[record]\nreport = false\n");
  Program program(trial.folder, {"run", trial.engine, "--source", "csv:" + trial.fifo, "--out", trial.session});
  {
    const Feeder feeder(trial.fifo);
    feeder.write_in_real_time(test::trial_edges(1500, 0.5, 0));
  }
  ASSERT_EQ(program.wait(), 0) << program.err();
  EXPECT_EQ(test::file_text(trial.session + "/report.html"), "");
}

TEST(ServiceLine, can_be_added_to_a_closed_session) {
  const ReportTrial trial;
  ASSERT_FALSE(add_service_line(trial.session, "report-failed", "no room \"here\""));
  const std::string text = test::file_text(trial.session + "/service.jsonl");
  const std::string last = text.substr(text.rfind('\n', text.size() - 2) + 1);
  EXPECT_EQ(parse_json(last).at("event"), "report-failed");
  EXPECT_EQ(parse_json(last).at("what"), "no room \"here\"");
}

}  // namespace
}  // namespace cw
