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
// With `before`, the finding printed just before it, what would be said in the same words again is left out.
std::string finding_in_words(const Finding& finding, const std::string& wall_time, const Finding* before = nullptr);

// The same in one line, without time, reason and checks: "Missed edge: crank, tooth 23, 90.0 deg after TDC1".
std::string finding_in_a_line(const Finding& finding);

// For the journal (sd-daemon(3)): one line with all of it that begins with its priority as <N>; the journal knows the
// time.
std::string finding_for_journal(const Finding& finding);

// What the ECU says in a second, for a status line: ", ECU says 4203 rpm cycle-locked"; empty when it says nothing.
std::string ecu_in_a_word(const Second& second);

// The last part of the account. `recording` may be empty; else where it was recorded and whether it is whole.
std::string totals_in_words(const SessionTotals& totals, const Engine& engine, const std::string& recording);

struct AccountSettings {
  bool json = false;         // JSON lines instead of words
  bool live_status = false;  // a status line with the latest second
  bool journal = false;      // one line a finding with its priority, for the journal; not with json
  std::optional<WallAnchor> anchor;
};

// Prints findings as they come.
class Account final : public Observer {
 public:
  // `totals`, fed before this, knows the host time of the first item, which ties findings to the wall clock; nothing else
  // of it is read here, since it may be fed on another thread. All must outlive it.
  Account(Terminal& terminal, const SessionTotals& totals, const AccountSettings& settings);
  void on_finding(const Finding& finding) override;
  void on_cycle(const Cycle& cycle) override;
  void on_second(const Second& second) override;
  void on_state(const StateChange& change) override;

 private:
  Terminal& terminal_;
  const SessionTotals& totals_;
  AccountSettings settings_;
  std::optional<Finding> last_;
};

}  // namespace cw
