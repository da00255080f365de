// For the guest of tests/vm/power_cut, beside the recorder.
//   feed-edges FOLDER              writes engine.toml and edges.csv, what is fed, into the folder
//   feed-edges FIFO STALL_FILE     feeds it, and prints ten times a second or so
//                                    TAKEN <edges that the recorder took> <at, ms> <longest stall since the line before, ms>
//                                  STALL_FILE lies on another disk: what it syncs must not keep the recorder's data
#include <fcntl.h>
#include <sched.h>

#include <csignal>
#include <cstdio>

#include "tests/unit/cli/fifo_feed.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace {

constexpr double rpm = 1500;  // 900 edges/s: the emulator has the speed of a very slow computer
constexpr double run_s = 60;
constexpr int drop_every = 97;  // so that there are findings

long long ms_of(cw::test::FeedClock::duration span) {
  return std::chrono::duration_cast<std::chrono::milliseconds>(span).count();
}

void feed_and_tell(const char* fifo, const char* stall_file) {
  constexpr std::chrono::milliseconds tell_every(100);
  const auto edges = cw::test::trial_edges(rpm, run_s, drop_every);
  std::signal(SIGPIPE, SIG_IGN);
  const int descriptor = ::open(fifo, O_WRONLY | O_CLOEXEC);
  cw::test::StallWatch stalls(stall_file);
  // Feeds only while the recorder has nothing to do: an emulator that is slower still, on a busy machine, is fed more
  // slowly. What is tried is the disk, not whether the recorder keeps up.
  const sched_param priority{};
  ::sched_setscheduler(0, SCHED_IDLE, &priority);
  const auto begin = cw::test::FeedClock::now();
  auto told = begin - tell_every;
  cw::test::feed(descriptor, edges, begin + std::chrono::seconds(static_cast<int>(run_s)), [&](const auto& taken) {
    if (taken.at - told >= tell_every) {
      told = taken.at;
      std::printf("TAKEN %zu %lld %lld\n", taken.edges, ms_of(told - begin), ms_of(stalls.longest_lately()));
      std::fflush(stdout);
    }
  });
}

}  // namespace

int main(int argc, char** argv) {
  if (argc == 2) {
    const std::string folder = argv[1];
    cw::test::write_text(folder + "/engine.toml", cw::test::trial_engine);
    cw::test::write_text(folder + "/edges.csv", cw::test::trial_csv(rpm, run_s, drop_every));
    return 0;
  }
  if (argc != 3) {
    std::fputs("usage: feed-edges FOLDER | feed-edges FIFO STALL_FILE\n", stderr);
    return 2;
  }
  feed_and_tell(argv[1], argv[2]);
  return 0;
}
