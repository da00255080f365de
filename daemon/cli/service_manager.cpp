#include "cli/service_manager.hpp"

#include <sys/stat.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

#include <cstdlib>
#include <string_view>

#include "cli/account.hpp"

namespace cw {

void tell_manager_ready() {
  ::sd_notify(0, "READY=1\nSTATUS=listening");
}

// MONOTONIC_USEC: asked for by Type=notify-reload of later versions, passed over by this one.
void tell_manager_reloading() {
  const auto now = std::chrono::duration_cast<std::chrono::microseconds>(Watchdog::Clock::now().time_since_epoch());
  ::sd_notify(0, ("RELOADING=1\nMONOTONIC_USEC=" + std::to_string(now.count())).c_str());
}

void tell_manager_stopping() {
  ::sd_notify(0, "STOPPING=1\nSTATUS=writing the end of the session");
}

void tell_manager_status(const std::string& line) {
  ::sd_notify(0, ("STATUS=" + line).c_str());
}

bool logs_to_journal() {
  const char* const named = std::getenv("JOURNAL_STREAM");
  struct stat status {};
  return named != nullptr && ::fstat(STDERR_FILENO, &status) == 0 &&
         std::to_string(status.st_dev) + ":" + std::to_string(status.st_ino) == named;
}

Watchdog::Watchdog() {
  std::uint64_t period_us = 0;
  if (::sd_watchdog_enabled(0, &period_us) > 0) {
    within_ = std::chrono::microseconds(period_us);
  }
}

bool Watchdog::all_live(Clock::time_point now, const PipelineProgress& progress, std::chrono::microseconds within) {
  return now - progress.monitor <= within / 2 && now - progress.writer <= within / 2;
}

// Told four times as often as it is asked for, so that one late tick costs nothing.
void Watchdog::tick(Clock::time_point now, const PipelineProgress& progress) {
  if (within_ && now - last_told_ >= *within_ / 4 && all_live(now, progress, *within_)) {
    last_told_ = now;
    ::sd_notify(0, "WATCHDOG=1");
  }
}

void StatusNotice::on_finding(const Finding& finding) {
  if (finding.severity > Severity::info) {
    last_finding_ = "; last finding: " + finding_in_a_line(finding);
  }
}

void StatusNotice::on_cycle(const Cycle& /*cycle*/) {}
void StatusNotice::on_state(const StateChange& /*change*/) {}

void StatusNotice::on_second(const Second& second) {
  std::string line(to_string(second.state));
  line += second.rpm ? ", " + std::to_string(static_cast<long>(*second.rpm)) + " rpm" : "";
  line += ecu_in_a_word(second);
  line += last_finding_;
  if (line != last_told_) {
    tell_manager_status(line);
    last_told_ = std::move(line);
  }
}

}  // namespace cw
