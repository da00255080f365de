// Children that do not do what they should, in place of the program that makes reports.
#include "cli/report_queue.hpp"

#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <atomic>
#include <fstream>

#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

using namespace std::chrono_literals;

struct Trial {
  explicit Trial(const std::string& script) {
    test::write_text(program, "#!/bin/sh\n" + script + "\n");
    ::chmod(program.c_str(), 0755);
  }
  ReportQueue::Job job(const std::string& name, std::chrono::milliseconds in = 0ms) {
    return {folder / name, ReportQueue::Clock::now() + in,
            [this](const std::string& line) {
              const std::lock_guard lock(mutex);
              why = line;
            },
            [this](const std::string& /*path*/) { ++made; }};
  }
  std::string told() {
    const std::lock_guard lock(mutex);
    return why;
  }
  const test::ScratchFolder folder;
  const std::string program = folder / "program";
  std::mutex mutex;
  std::string why;
  std::atomic<int> made{0};
};

TEST(ReportQueue, tells_in_one_line_why_there_is_no_report) {
  Trial trial("echo 'crankwitness: no room' >&2; echo more >&2; exit 5");
  ReportQueue queue(trial.program);
  queue.ask(trial.job("s"));
  EXPECT_TRUE(queue.finish(20s));
  EXPECT_EQ(trial.told(), "no report of " + (trial.folder / "s") + ": crankwitness: no room");
  EXPECT_EQ(trial.made, 0);
}

TEST(ReportQueue, a_report_of_a_recording_that_is_not_whole_is_one) {
  Trial trial("exit 4");
  ReportQueue queue(trial.program);
  queue.ask(trial.job("s"));
  EXPECT_TRUE(queue.finish(20s));
  EXPECT_EQ(trial.told(), "");
  EXPECT_EQ(trial.made, 1);
}

TEST(ReportQueue, a_crash_and_a_program_that_is_not_there_are_told_too) {
  Trial trial("kill -SEGV $$");
  {
    ReportQueue queue(trial.program);
    queue.ask(trial.job("s"));
    EXPECT_TRUE(queue.finish(20s));
    EXPECT_NE(trial.told().find("ended by signal 11"), std::string::npos) << trial.told();
  }
  ReportQueue queue(trial.folder / "nothing");
  queue.ask(trial.job("s"));
  EXPECT_TRUE(queue.finish(20s));
  EXPECT_NE(trial.told().find("exit code 127"), std::string::npos) << trial.told();
}

TEST(ReportQueue, one_that_takes_too_long_is_ended) {
  Trial trial("exec sleep 60");
  ReportQueue queue(trial.program, 1s);
  queue.ask(trial.job("s"));
  EXPECT_TRUE(queue.finish(20s));
  EXPECT_NE(trial.told().find("it took longer than 1 s"), std::string::npos) << trial.told();
}

TEST(ReportQueue, what_its_session_drops_is_ended_and_no_one_is_told) {
  Trial trial("exec sleep 60");
  ReportQueue queue(trial.program);
  queue.ask(trial.job("s"));
  std::this_thread::sleep_for(200ms);
  queue.ask(trial.job("s", 1h));  // waits
  const auto begin = ReportQueue::Clock::now();
  queue.drop(trial.folder / "s");
  EXPECT_LT(ReportQueue::Clock::now() - begin, 20s);
  EXPECT_TRUE(queue.finish(1s));
  EXPECT_EQ(trial.told(), "");
}

TEST(ReportQueue, what_is_not_done_in_time_is_left_to_itself) {
  Trial trial("sleep 1; echo late > \"$2/late\"");
  std::filesystem::create_directory(trial.folder / "s");
  {
    ReportQueue queue(trial.program);
    queue.ask(trial.job("s"));
    std::this_thread::sleep_for(200ms);
    EXPECT_FALSE(queue.finish(0s));
  }
  for (int i = 0; i < 1000 && test::file_text(trial.folder / "s/late").empty(); ++i) {
    std::this_thread::sleep_for(20ms);
  }
  EXPECT_EQ(test::file_text(trial.folder / "s/late"), "late\n");
}

// proc(5): the nice value is field 19 of /proc/PID/stat.
TEST(ReportQueue, a_child_has_the_lowest_priority_and_none_of_our_files) {
  Trial trial("cut -d' ' -f19 /proc/self/stat > \"$2/nice\"; ls -l /proc/$$/fd > \"$2/files\"");
  std::filesystem::create_directory(trial.folder / "s");
  const int held = ::open((trial.folder / "held").c_str(), O_WRONLY | O_CREAT, 0600);  // goes on through exec()
  ASSERT_GE(held, 0);
  ReportQueue queue(trial.program);
  queue.ask(trial.job("s"));
  EXPECT_TRUE(queue.finish(20s));
  ::close(held);
  EXPECT_EQ(test::file_text(trial.folder / "s/nice"), "19\n");
  // What it has beside standard input, output and error is the script that sh reads.
  const std::string files = test::file_text(trial.folder / "s/files");
  EXPECT_NE(files.find("/dev/null"), std::string::npos) << files;
  EXPECT_EQ(files.find("held"), std::string::npos) << files;
}

TEST(ReportQueue, asks_for_the_same_session_that_wait_are_one) {
  Trial trial("exit 0");
  ReportQueue queue(trial.program);
  for (int i = 0; i < 5; ++i) {
    queue.ask(trial.job("s", 300ms));
  }
  EXPECT_TRUE(queue.finish(20s));
  EXPECT_EQ(trial.made, 1);
}

TEST(ReportOnLoss, asks_once_for_losses_close_together_and_only_for_losses) {
  std::vector<ReportQueue::Clock::time_point> asked;
  ReportOnLoss watch([&](ReportQueue::Clock::time_point due) { asked.push_back(due); });
  Finding finding;
  finding.kind = FindingKind::missed_edge;
  watch.on_finding(finding);
  EXPECT_TRUE(asked.empty());
  finding.kind = FindingKind::sync_lost;
  finding.phase = FindingPhase::open;
  for (int i = 0; i < 100; ++i) {
    watch.on_finding(finding);
  }
  ASSERT_EQ(asked.size(), 1U);
  EXPECT_GT(asked[0], ReportQueue::Clock::now() + 5s);
  EXPECT_LT(asked[0], ReportQueue::Clock::now() + 11s);
}

}  // namespace
}  // namespace cw
