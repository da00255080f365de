// The real program, fed live through a FIFO and killed (SIGKILL) at random moments.
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <atomic>
#include <chrono>
#include <csignal>
#include <random>
#include <thread>

#include "tests/unit/cli/fifo_feed.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "tests/unit/record/session_check.hpp"

namespace cw {
namespace {

using Clock = test::FeedClock;
using test::Ended;
using test::Program;
using test::run_program;
using test::ScratchFolder;
using test::Taken;

constexpr double run_s = 3.0;

struct Shared {
  std::vector<test::TrialEdge> edges = test::trial_edges(1500, run_s, 97);
  std::string csv = test::trial_csv(1500, run_s, 97);
};

struct Killed {
  Ended recovered;
  std::size_t due = 0;  // edges that it had taken a second (and the longest stall) before the kill
};

Killed run_and_kill(const ScratchFolder& folder, const Shared& shared, std::chrono::milliseconds after) {
  test::write_text(folder / "engine.toml", test::trial_engine);
  const std::string fifo = folder / "edges.fifo";
  ::mkfifo(fifo.c_str(), 0644);
  Program program(folder, {"run", folder / "engine.toml", "--source", "csv:" + fifo, "--out", folder / "s"});
  const int descriptor = ::open(fifo.c_str(), O_WRONLY | O_CLOEXEC);
  test::StallWatch stalls(folder / "stalls");
  std::vector<Taken> taken;
  test::feed(descriptor, shared.edges, Clock::now() + after, [&](const Taken& now) { taken.push_back(now); });
  const auto killed = Clock::now();
  program.send(SIGKILL);
  EXPECT_EQ(program.wait(), -SIGKILL);
  ::close(descriptor);
  const auto allowed = std::chrono::seconds(1) + stalls.longest_lately();
  Killed result;
  for (const Taken& then : taken) {
    result.due = then.at < killed - allowed ? then.edges : result.due;
  }
  result.recovered = run_program(folder, {"recover", folder / "s", "--out", folder / "r"});
  return result;
}

void check_trial(std::uint64_t seed, const Shared& shared, std::atomic<std::uint64_t>& events) {
  std::mt19937_64 random(seed);
  const ScratchFolder folder;
  const std::chrono::milliseconds after(random() % static_cast<std::uint64_t>(run_s * 900));
  const Killed killed = run_and_kill(folder, shared, after);
  SCOPED_TRACE("seed " + std::to_string(seed) + ", killed after " + std::to_string(after.count()) + " ms");
  if (killed.recovered.code == 7 || killed.recovered.code == 3) {
    EXPECT_EQ(killed.due, 0U) << killed.recovered.out << killed.recovered.err;
    return;
  }
  EXPECT_EQ(killed.recovered.code, 4) << killed.recovered.out << killed.recovered.err;  // it never ended in good order
  for (const char* name : {"s", "r"}) {
    const auto checked = test::check_session(folder / name, shared.csv);
    ASSERT_TRUE(std::holds_alternative<test::CheckedSession>(checked)) << std::get<std::string>(checked);
    EXPECT_GE(std::get<test::CheckedSession>(checked).edges, killed.due);
    events += std::get<test::CheckedSession>(checked).events;
  }
  EXPECT_EQ(run_program(folder, {"replay", folder / "r", "--out", folder / "again"}).code, 0);
}

// CW_KILLS=N: so many instead of 20. CW_KILL_SEED=N: from another seed on.
TEST(Killed, recorder_leaves_all_but_the_last_second_and_no_finding_without_its_evidence) {
  std::signal(SIGPIPE, SIG_IGN);
  const auto number = [](const char* name, std::uint64_t usual) {
    const char* text = std::getenv(name);  // NOLINT(concurrency-mt-unsafe): nothing sets it
    return text == nullptr ? usual : std::strtoull(text, nullptr, 10);
  };
  const std::uint64_t first = number("CW_KILL_SEED", 1);
  const std::uint64_t end = first + number("CW_KILLS", 20);
  const Shared shared;
  std::atomic<std::uint64_t> events{0};
  std::atomic<std::uint64_t> next{first};
  std::vector<std::thread> workers;
  constexpr int at_once = 4;  // they mostly wait
  for (int i = 0; i < at_once; ++i) {
    workers.emplace_back([&] {
      for (std::uint64_t seed = next++; seed < end && !::testing::Test::HasFailure(); seed = next++) {
        check_trial(seed, shared, events);
      }
    });
  }
  for (std::thread& worker : workers) {
    worker.join();
  }
  EXPECT_GT(events.load(), 0U);
}

}  // namespace
}  // namespace cw
