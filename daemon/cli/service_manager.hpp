// What systemd is told by sd_notify(3), and what it says about the log (sd-daemon(3)). Where no systemd has started
// this program (no NOTIFY_SOCKET) nothing is told, and everything works as well.
#pragma once

#include <atomic>
#include <chrono>
#include <optional>
#include <string>

#include "cli/pipeline.hpp"
#include "items/observation.hpp"

namespace cw {

void tell_manager_ready();      // sources are set up, the session is open; also after a reload
void tell_manager_reloading();  // SIGHUP came
void tell_manager_stopping();
void tell_manager_status(const std::string& line);  // shown by `systemctl status`

// Whether standard error goes to the journal (JOURNAL_STREAM names it).
bool logs_to_journal();

// Tells the manager that the program lives, as long as all of its threads make progress. Ticks pass through all of them
// ten times a second, so each has work to finish even while no edge comes.
class Watchdog {
 public:
  using Clock = std::chrono::steady_clock;

  // As systemd asks for it (WATCHDOG_USEC, WATCHDOG_PID); does nothing when it does not.
  Watchdog();
  // To be called on the I/O thread with each tick: when that thread hangs, nothing is told either.
  void tick(Clock::time_point now, const PipelineProgress& progress);

  // Whether each thread has finished some work within half of `within`: a thread that hangs is found out within one and
  // a half times `within`.
  static bool all_live(Clock::time_point now, const PipelineProgress& progress, std::chrono::microseconds within);

 private:
  std::optional<std::chrono::microseconds> within_;
  Clock::time_point last_told_;
};

// Puts the lock state, the speed and the last finding into the manager's status line, at most once a second.
class StatusNotice final : public Observer {
 public:
  void on_finding(const Finding& finding) override;
  void on_cycle(const Cycle& cycle) override;
  void on_second(const Second& second) override;
  void on_state(const StateChange& change) override;

 private:
  std::string last_finding_;
  std::string last_told_;
};

}  // namespace cw
