// Readers who stop reading.
#include "cli/output_thread.hpp"

#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/unit/cli/links.hpp"
#include "tests/unit/cli/live_trial.hpp"
#include "tests/unit/cli/program.hpp"

namespace cw {
namespace {

using std::chrono::milliseconds;

// A pipe of the least size, so that little fills it.
struct Pipe {
  Pipe() {
    EXPECT_EQ(::pipe2(ends, O_CLOEXEC), 0);
    EXPECT_EQ(::fcntl(ends[1], F_SETPIPE_SZ, 4096), 4096);
  }
  ~Pipe() {
    ::close(ends[0]);
    ::close(ends[1]);
  }
  std::string read(std::size_t size) const {
    std::string text(size, '\0');
    for (std::size_t at = 0; at < size;) {
      const ssize_t got = ::read(ends[0], text.data() + at, size - at);
      if (got <= 0) {
        return text.substr(0, at);
      }
      at += static_cast<std::size_t>(got);
    }
    return text;
  }
  int ends[2] = {-1, -1};
};

OutputPiece line_to(int descriptor, char letter, std::size_t size) {
  return {{{descriptor, std::string(size - 1, letter) + "\n"}}, 1};
}

TEST(OutputThread, never_makes_anyone_wait_for_a_reader_and_counts_what_was_left_out) {
  const Pipe pipe;
  OutputThread output(20'000, milliseconds(200));
  constexpr std::size_t line = 1000;
  const auto begin = std::chrono::steady_clock::now();
  for (int i = 0; i < 1000; ++i) {
    output.push(line_to(pipe.ends[1], 'a', line));
  }
  EXPECT_LT(std::chrono::steady_clock::now() - begin, std::chrono::seconds(5));
  EXPECT_EQ(output.take_left_out(), 0U) << "some still waits: not yet over";
  // Four in the pipe, one being written, twenty waiting, or so.
  std::string text = pipe.read(10 * line);
  EXPECT_TRUE(test::wait_until([&] {
    pollfd more = {pipe.ends[0], POLLIN, 0};
    if (::poll(&more, 1, 50) > 0) {
      text += pipe.read(line);
      return false;
    }
    return true;
  }));
  const std::uint64_t left_out = output.take_left_out();
  EXPECT_EQ(text.size() / line + left_out, 1000U);
  EXPECT_GT(left_out, 900U);
  output.push(line_to(pipe.ends[1], 'b', line));
  EXPECT_EQ(pipe.read(line).front(), 'b') << "it goes on where there is a reader again";
  EXPECT_EQ(output.finish(), 0U);
}

TEST(OutputThread, gives_up_at_the_end_when_no_one_reads) {
  const Pipe pipe;
  OutputThread output(1'000'000, milliseconds(200));
  for (int i = 0; i < 100; ++i) {
    output.push(line_to(pipe.ends[1], 'a', 1000));
  }
  EXPECT_GT(output.finish(), 90U);
}

TEST(OutputThread, writes_all_to_a_reader_who_is_slow) {
  const Pipe pipe;
  OutputThread output(1'000'000, std::chrono::seconds(30));
  for (int i = 0; i < 100; ++i) {
    output.push(line_to(pipe.ends[1], 'a', 1000));
  }
  std::string text;
  std::thread reader([&] {
    for (int i = 0; i < 100; ++i) {
      std::this_thread::sleep_for(milliseconds(5));
      text += pipe.read(1000);
    }
  });
  EXPECT_EQ(output.finish(), 0U);
  reader.join();
  EXPECT_EQ(text.size(), 100'000U);
}

TEST(OutputThread, a_reader_who_has_gone_holds_up_nothing) {
  std::signal(SIGPIPE, SIG_IGN);
  Pipe pipe;
  ::close(pipe.ends[0]);
  OutputThread output(1'000'000, std::chrono::seconds(30));
  output.push(line_to(pipe.ends[1], 'a', 100'000));
  EXPECT_EQ(output.finish(), 0U);
}

// Standard output and error of the program go to pipes that no one empties.
TEST(LiveStalledOutput, analysis_and_recording_go_on_and_the_files_miss_nothing) {
  const test::LiveTrial trial;
  int unread[2] = {-1, -1};
  const char* const names[] = {"program.out", "program.err"};
  for (int i = 0; i < 2; ++i) {
    const std::string path = trial.folder / names[i];
    ASSERT_EQ(::mkfifo(path.c_str(), 0600), 0);
    unread[i] = ::open(path.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    ASSERT_GE(::fcntl(unread[i], F_SETPIPE_SZ, 4096), 4096);
  }
  test::Program program(trial.folder, {"run", trial.engine, "--source", "csv:" + trial.fifo, "--out", trial.session});
  const test::Feeder feeder(trial.fifo);
  const auto edges = test::trial_edges(3000, 4, 150);
  std::size_t fed = 0;
  EXPECT_TRUE(feeder.write("t_ns,channel,edge\n"));
  for (const test::TrialEdge& edge : edges) {
    // Lines that can't be read are told by the input's own thread.
    EXPECT_TRUE(feeder.write(edge.line + (++fed % 400 == 0 ? "no edge\n" : "")));
    std::this_thread::sleep_for(fed % 10 == 0 ? milliseconds(5) : milliseconds(0));
  }
  EXPECT_TRUE(test::wait_for_edges(trial.session, edges.size()));
  program.send(SIGTERM);
  EXPECT_EQ(program.wait(), 4);
  EXPECT_EQ(test::edges_recorded(trial.session), edges.size());
  EXPECT_GT(test::count_in(test::file_text(trial.session + "/events.jsonl"), "missed-edge"), 10);
  EXPECT_NE(test::file_text(trial.session + "/summary.json"), "");
  pollfd output = {unread[0], POLLIN, 0};
  EXPECT_EQ(::poll(&output, 1, 0), 1) << "there was something to be read";
  ::close(unread[0]);
  ::close(unread[1]);
}

}  // namespace
}  // namespace cw
