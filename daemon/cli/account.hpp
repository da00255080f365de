// The account of a run or a replay: plain words for people, or JSON lines for programs, on standard output.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "cli/terminal.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "record/session_totals.hpp"
#include "record/wall_time.hpp"

namespace cw {

// A finding as a short block of lines: when, what, where on the engine, who is behind it and why, what to check next.
std::string finding_in_words(const Finding& finding, const std::string& wall_time);

// The last part of the account. `recording` may be empty; else where it was recorded and whether it is whole.
std::string totals_in_words(const SessionTotals& totals, const Engine& engine, const std::string& recording);

struct AccountSettings {
  bool json = false;         // JSON lines instead of words
  bool live_status = false;  // a status line with the latest second
  std::optional<WallAnchor> anchor;
};

// Prints findings as they come.
class Account final : public Observer {
 public:
  Account(Terminal& terminal, const AccountSettings& settings);
  // Host time of the first item of the session, once it is known: ties findings to the wall clock.
  void set_first_host_ns(std::int64_t first_host_ns);
  void on_finding(const Finding& finding) override;
  void on_cycle(const Cycle& cycle) override;
  void on_second(const Second& second) override;
  void on_state(const StateChange& change) override;

 private:
  Terminal& terminal_;
  AccountSettings settings_;
  std::optional<std::int64_t> first_host_ns_;
};

}  // namespace cw
