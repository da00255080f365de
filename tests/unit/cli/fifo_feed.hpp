// Feeds a recorder edges through a FIFO and sees how many of them it has taken: for tests that kill it.
#pragma once

#include <atomic>
#include <chrono>
#include <cstddef>
#include <functional>
#include <string>
#include <thread>
#include <vector>

#include "tests/unit/cli/trial_edges.hpp"

namespace cw::test {

using FeedClock = std::chrono::steady_clock;

// How many edges the recorder had taken out of the FIFO at a time. What still lies in the FIFO is not its loss.
struct Taken {
  FeedClock::time_point at;
  std::size_t edges = 0;
};

// Writes edges into the FIFO when they are due, until `end`, the last edge, or the reader's end. `tell` is called after
// each write.
void feed(int fifo, const std::vector<TrialEdge>& edges, FeedClock::time_point end,
          const std::function<void(const Taken&)>& tell);

// While it lives, syncs a file of its own beside the session now and then: what the recorder can't be blamed for is the
// time in which this machine did not run or its disk did not answer.
class StallWatch {
 public:
  explicit StallWatch(const std::string& path);
  StallWatch(const StallWatch&) = delete;
  StallWatch& operator=(const StallWatch&) = delete;
  ~StallWatch() { stop(); }

  // The longest stall since this was last asked, one that is not over yet included.
  FeedClock::duration longest_lately();
  void stop();

 private:
  void watch();

  int file_;
  std::atomic<bool> going_{true};
  std::atomic<FeedClock::time_point> round_began_{FeedClock::now()};
  std::atomic<FeedClock::duration> longest_{FeedClock::duration(0)};
  std::thread thread_;
};

}  // namespace cw::test
