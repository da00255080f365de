// Text for people on standard output, with one line of status below it on standard error while that is a terminal.
#pragma once

#include <chrono>
#include <mutex>
#include <string>
#include <string_view>

namespace cw {

// May be used from several threads.
class Terminal {
 public:
  Terminal();
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

 private:
  void wipe();
  void draw();

  std::mutex mutex_;
  bool shows_status_;
  std::string status_;
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
