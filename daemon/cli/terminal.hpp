// Text for people on standard output, with one line of status below it on standard error while that is a terminal.
#pragma once

#include <chrono>
#include <cstdint>
#include <memory>
#include <mutex>
#include <string>
#include <string_view>

#include "cli/output_thread.hpp"

namespace cw {

// May be used from several threads.
class Terminal {
 public:
  enum class Reader : std::uint8_t {
    waited_for,        // each call returns when all is written
    never_waited_for,  // calls return at once; what is not read waits in memory, beyond 16 MiB it is left out and counted
  };

  explicit Terminal(Reader reader = Reader::waited_for);
  Terminal(const Terminal&) = delete;
  Terminal& operator=(const Terminal&) = delete;
  ~Terminal();  // takes the status line away

  // Whether there is a terminal that can show a status line.
  bool shows_status() const { return shows_status_; }
  // Writes text, whole lines, to standard output.
  void print(std::string_view text);
  // Writes one line to standard error.
  void complain(std::string_view line);
  // Replaces the status line. Nothing where there is no terminal.
  void status(std::string_view line);

  // Of a reader who is never waited for: lines left out of standard output since this was last asked, once there is
  // nothing left that waits for it; 0 until then.
  std::uint64_t take_left_out();
  // The end of standard output: what waits is written, given up after 5 s in which nothing of it was read. Lines left out
  // since take_left_out().
  std::uint64_t finish_output();

 private:
  void put(OutputThread* thread, OutputPiece piece);

  std::mutex mutex_;
  bool shows_status_;
  bool one_screen_;  // standard output and error are both terminals, taken for the same
  std::string status_;
  // Of a reader who is never waited for. Two threads, so that a pager on standard output holds up no line of the log.
  std::unique_ptr<OutputThread> output_;
  std::unique_ptr<OutputThread> errors_;  // nothing where there is one screen: then all goes through the other
};

// The status line of long work: how far, how fast, how long yet. Redrawn at most five times a second.
class Progress {
 public:
  // `terminal` must outlive it. `total` in any unit, 0 = not known.
  Progress(Terminal& terminal, std::string what, std::uint64_t total);
  void show(std::uint64_t done);
  ~Progress();
  Progress(const Progress&) = delete;
  Progress& operator=(const Progress&) = delete;

 private:
  Terminal& terminal_;
  std::string what_;
  std::uint64_t total_;
  std::chrono::steady_clock::time_point begin_;
  std::chrono::steady_clock::time_point last_;
};

}  // namespace cw
