#include "tests/unit/cli/fifo_feed.hpp"

#include <fcntl.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>

namespace cw::test {

namespace {

constexpr std::chrono::milliseconds stall_pause(10);

FeedClock::duration longer_than_pause(FeedClock::time_point began) {
  return std::max(FeedClock::duration(0), FeedClock::now() - began - stall_pause);
}

}  // namespace

void feed(int fifo, const std::vector<TrialEdge>& edges, FeedClock::time_point end,
          const std::function<void(const Taken&)>& tell) {
  constexpr std::size_t bytes_max = 4000;  // below PIPE_BUF: written whole
  const auto begin = FeedClock::now();
  std::string text = "t_ns,channel,edge\n";
  std::size_t written = 0;
  std::size_t gone = text.size();  // bytes up to the end of the last edge taken
  Taken taken;
  for (std::size_t next = 0; next < edges.size() && FeedClock::now() < end;) {
    std::this_thread::sleep_until(std::min(end, begin + std::chrono::nanoseconds(edges[next].t_ns)));
    // All that is due: a machine that was busy elsewhere catches up.
    const std::chrono::nanoseconds now = FeedClock::now() - begin;
    for (; next < edges.size() && edges[next].t_ns <= now.count() && text.size() < bytes_max; ++next) {
      text += edges[next].line;
    }
    if (::write(fifo, text.data(), text.size()) != static_cast<ssize_t>(text.size())) {
      return;
    }
    written += text.size();
    text.clear();
    int waiting = 0;
    ::ioctl(fifo, FIONREAD, &waiting);
    while (taken.edges < next && gone + edges[taken.edges].line.size() + static_cast<std::size_t>(waiting) <= written) {
      gone += edges[taken.edges++].line.size();
    }
    taken.at = FeedClock::now();
    tell(taken);
  }
}

StallWatch::StallWatch(const std::string& path)
    : file_(::open(path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0644)), thread_([this] { watch(); }) {}

FeedClock::duration StallWatch::longest_lately() {
  return std::max(longest_.exchange(FeedClock::duration(0)), longer_than_pause(round_began_));
}

void StallWatch::stop() {
  going_ = false;
  if (thread_.joinable()) {
    thread_.join();
    ::close(file_);
  }
}

void StallWatch::watch() {
  while (going_) {
    const auto began = FeedClock::now();
    round_began_ = began;
    std::this_thread::sleep_for(stall_pause);
    if (::write(file_, "x", 1) == 1) {
      ::fdatasync(file_);
    }
    longest_ = std::max(longest_.load(), longer_than_pause(began));
  }
}

}  // namespace cw::test
