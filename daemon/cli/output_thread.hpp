// Text on its way to readers who may stop reading: a stalled terminal, a pager, a pipe that no one empties.
#pragma once

#include <atomic>
#include <chrono>
#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <thread>
#include <utility>
#include <vector>

#include "cli/bounded_queue.hpp"

namespace cw {

// What is written together: for each part the descriptor and its text.
struct OutputPiece {
  std::vector<std::pair<int, std::string>> parts;
  std::uint64_t lines = 0;
};

// Writes pieces in their order, on a thread of its own, so that whoever has something to say never waits for a reader.
// No more than `bytes_max` wait; what comes beyond that is left out and counted.
class OutputThread {
 public:
  explicit OutputThread(std::size_t bytes_max, std::chrono::milliseconds patience_at_end = std::chrono::seconds(5));
  OutputThread(const OutputThread&) = delete;
  OutputThread& operator=(const OutputThread&) = delete;
  ~OutputThread();

  // Any thread. After finish() nothing is written any more.
  void push(OutputPiece piece);
  // Lines left out since this was last asked, once all that waited has been written; 0 until then. Any thread.
  std::uint64_t take_left_out();
  // Waits for what is left to be written; gives up when nothing of it has been taken for as long as the patience is.
  // Lines left out since take_left_out(). Not from several threads.
  std::uint64_t finish();

 private:
  void run();
  void write(const OutputPiece& piece);
  void write(int descriptor, std::string_view text);
  bool out_of_patience() const;

  std::chrono::milliseconds patience_;
  BoundedQueue<OutputPiece> queue_;
  std::atomic<std::uint64_t> waiting_{0};  // pieces
  std::atomic<std::uint64_t> left_out_{0};
  std::atomic<bool> finishing_{false};
  std::atomic<std::chrono::steady_clock::time_point> last_progress_{std::chrono::steady_clock::now()};
  bool given_up_ = false;
  std::thread thread_;  // last: it uses the others
};

}  // namespace cw
