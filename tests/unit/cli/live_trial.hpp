// The trial engine and its edges in real time, through a FIFO.
#pragma once

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdint>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

#include "tests/unit/cli/trial_edges.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw::test {

// Writes lines into a FIFO when they are due; stops early when `go_on` says so.
class Feeder {
 public:
  explicit Feeder(const std::string& path) : descriptor_(::open(path.c_str(), O_WRONLY | O_CLOEXEC)) {}
  Feeder(const Feeder&) = delete;
  Feeder& operator=(const Feeder&) = delete;
  ~Feeder() { ::close(descriptor_); }

  bool write(const std::string& text) const {
    return ::write(descriptor_, text.data(), text.size()) == static_cast<ssize_t>(text.size());
  }

  // Returns how many edges were written.
  std::size_t write_in_real_time(const std::vector<TrialEdge>& edges, std::size_t stop_at = SIZE_MAX) const {
    const auto begin = std::chrono::steady_clock::now();
    write("t_ns,channel,edge\n");
    std::size_t count = 0;
    for (const TrialEdge& edge : edges) {
      std::this_thread::sleep_until(begin + std::chrono::nanoseconds(edge.t_ns));
      if (count == stop_at || !write(edge.line)) {
        break;
      }
      ++count;
    }
    return count;
  }

 private:
  int descriptor_;
};

struct LiveTrial {
  LiveTrial() {
    std::signal(SIGPIPE, SIG_IGN);
    write_text(engine, trial_engine);
    ::mkfifo(fifo.c_str(), 0644);
  }
  const ScratchFolder folder;
  const std::string engine = folder / "engine.toml";
  const std::string fifo = folder / "edges.fifo";
  const std::string session = folder / "live";
};

inline std::vector<std::string> whole_lines(const std::string& text) {
  std::vector<std::string> lines;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line) && !in.eof();) {
    lines.push_back(line);
  }
  return lines;
}

}  // namespace cw::test
