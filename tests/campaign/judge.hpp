// What the monitor said against what was true.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "campaign/draw.hpp"
#include "campaign/feed.hpp"
#include "campaign/wheel_class.hpp"
#include "simulate/simulation.hpp"

namespace cw::campaign {

// How one injected fault was dealt with.
struct FaultVerdict {
  std::string label;     // row of the confusion matrix: the kind, and the form where it matters
  std::string found;     // column: kind of the finding taken for it, or "nothing"
  bool named = false;    // found with the right kind (and cam)
  bool located = false;  // and tooth, angle, time, size right
  bool attributed =
      false;  // and every finding of it names who is behind it, as far as can be told; no target of its own
  std::string cannot_tell;  // not empty: no observer can tell, and why; such a fault does not count
  std::string words;        // what is wrong, for people; empty when all is right
};

// A position claimed that was not so.
struct FalseLock {
  bool full = true;       // cycle-locked; else only revolution-locked, wrong modulo a turn
  bool reversal = false;  // the crank turned backwards then, or had within the last cycle
  std::string words;
};

enum class TdcClass : std::uint8_t {
  running,            // above 500 up to 9,000 rpm, 24 teeth or more
  running_few_teeth,  // the same, fewer teeth
  fast,               // above 9,000 rpm
  cranking,           // up to 500 rpm, 24 teeth or more
  cranking_few_teeth,
  near_fault,  // within a cycle of a fault on the crank wire, any speed
};
inline constexpr std::size_t tdc_classes = 6;
std::string_view to_string(TdcClass value);

struct TdcReading {
  TdcClass where = TdcClass::running;
  double error_deg = 0;  // reported - true wheel TDC1, positive = late
  double floor_deg = 0;
  double stated_deg = 0;  // the uncertainty that came with it
};

struct Verdict {
  std::uint64_t seed = 0;
  std::string problem;  // the case could not be run
  bool clean = true;    // no fault was injected
  double engine_s = 0;
  std::size_t cycles = 0;       // reported while locked
  std::size_t cycles_true = 0;  // that the crank made
  std::vector<FaultVerdict> faults;
  std::vector<FalseLock> false_locks;
  std::vector<std::string> false_alarms;
  std::vector<std::string> false_alarm_kinds;  // one for each of false_alarms
  std::vector<TdcReading> tdc;
  std::optional<double> cycles_to_lock;  // clean runs that locked
  bool never_locked = false;             // a clean run that could have locked
  WheelClass wheel = WheelClass::one_gap;
};

// The error that six edges averaged would leave, 95 %, in degrees at `rpm`, plus the half tick by which a counter that
// cuts down stamps every edge early:
//   6e-6 rpm tick_us / 2 + 1.96 / sqrt(6) * sqrt((6e-6 rpm jitter_us)^2 + (6e-6 rpm tick_us)^2 / 12 + pitch_sd^2)
// (1 rpm is 6 degrees a second; a rounded value has a variance of tick^2/12; the mean of six has a sixth of it.)
double floor_deg(const sim::Scenario& scenario, double rpm);

// The run's own verdict. `observed` must come from `simulation` of `drawn`.
Verdict judge(const Case& drawn, const sim::Simulation& simulation, const Observed& observed);

// Parts of it.
void judge_lock(const Case& drawn, const sim::Simulation& simulation, const Observed& observed, Verdict& verdict);
void judge_tdc(const Case& drawn, const sim::Simulation& simulation, const Observed& observed, Verdict& verdict);
void judge_faults(const Case& drawn, const sim::Simulation& simulation, const Observed& observed, Verdict& verdict);
void judge_alarms(const Case& drawn, const sim::Simulation& simulation, const Observed& observed, Verdict& verdict);

// One line on a finding, for people.
std::string in_words(const Finding& finding);

}  // namespace cw::campaign
