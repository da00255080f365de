// The signals that `run` obeys: SIGINT and SIGTERM end it, SIGHUP begins a new session.
#pragma once

#include <csignal>
#include <optional>

namespace cw {

// While it lives they wait in a descriptor (signalfd(2)) and none is lost between two sessions. To be made before any
// thread is started, since threads inherit what is blocked. SIGHUP stays ignored where it was (nohup).
class Signals {
 public:
  Signals();
  Signals(const Signals&) = delete;
  Signals& operator=(const Signals&) = delete;
  ~Signals();

  // Readable when a signal waits.
  int descriptor() const { return descriptor_; }
  // The next that waits; nothing when none does. SIGHUP that came because the terminal went away is told as SIGTERM.
  std::optional<int> next() const;

  // The program is on its way out: the next SIGINT or SIGTERM is answered with a line, the one after ends it at once.
  static void end_at_once_when_asked_twice();

 private:
  int descriptor_ = -1;
  bool had_terminal_ = false;
  sigset_t before_{};
};

}  // namespace cw
