// The sensors of an engine at constant speed, for the guests of this folder.
//   feed-edges make FOLDER RPM SECONDS DROP_EVERY             writes engine.toml and edges.csv, what is fed
//   feed-edges feed FIFO STALL_FILE RPM SECONDS DROP_EVERY    feeds it, and prints ten times a second or so
//     TAKEN <edges that the reader took> <at, ms> <longest stall since the line before, ms>
// Each DROP_EVERY-th crank edge is missing. STALL_FILE lies on another disk than what is tried: what it syncs must not
// keep that one's data.
#include <fcntl.h>
#include <sched.h>

#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <string>

#include "tests/unit/cli/fifo_feed.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace {

struct EngineRun {
  double rpm = 0;
  int run_s = 0;
  int drop_every = 0;
};

long long ms_of(cw::test::FeedClock::duration span) {
  return std::chrono::duration_cast<std::chrono::milliseconds>(span).count();
}

void feed_and_tell(const char* fifo, const char* stall_file, const EngineRun& run) {
  constexpr std::chrono::milliseconds tell_every(100);
  const auto edges = cw::test::trial_edges(run.rpm, run.run_s, run.drop_every);
  std::signal(SIGPIPE, SIG_IGN);
  const int descriptor = ::open(fifo, O_WRONLY | O_CLOEXEC);
  cw::test::StallWatch stalls(stall_file);
  // Feeds only while the recorder has nothing to do: an emulator that is slower still, on a busy machine, is fed more
  // slowly. What is tried is the disk, not whether the recorder keeps up.
  const sched_param priority{};
  ::sched_setscheduler(0, SCHED_IDLE, &priority);
  const auto begin = cw::test::FeedClock::now();
  auto told = begin - tell_every;
  cw::test::feed(descriptor, edges, begin + std::chrono::seconds(run.run_s), [&](const auto& taken) {
    if (taken.at - told >= tell_every) {
      told = taken.at;
      std::printf("TAKEN %zu %lld %lld\n", taken.edges, ms_of(told - begin), ms_of(stalls.longest_lately()));
      std::fflush(stdout);
    }
  });
}

void make_files(const std::string& folder, const EngineRun& run) {
  cw::test::write_text(folder + "/engine.toml", cw::test::trial_engine);
  cw::test::write_text(folder + "/edges.csv", cw::test::trial_csv(run.rpm, run.run_s, run.drop_every));
}

EngineRun engine_run(char** words) {
  return {std::atof(words[0]), std::atoi(words[1]), std::atoi(words[2])};
}

}  // namespace

int main(int argc, char** argv) {
  const std::string what = argc > 1 ? argv[1] : "";
  if (what == "make" && argc == 6) {
    make_files(argv[2], engine_run(argv + 3));
  } else if (what == "feed" && argc == 7) {
    feed_and_tell(argv[2], argv[3], engine_run(argv + 4));
  } else {
    std::fputs(
        "usage: feed-edges make FOLDER RPM SECONDS DROP_EVERY\n"
        "       feed-edges feed FIFO STALL_FILE RPM SECONDS DROP_EVERY\n",
        stderr);
    return 2;
  }
  return 0;
}
