// Runs with two sides: a modelled ECU (daemon/simulate/ecu.hpp) hears the same sensors through an input stage of its own
// and broadcasts on CAN, the monitor hears the tap and the bus. A fault lies with one of them, with the sensor that both
// hear, or nowhere: what is said of the ECU, and who is blamed, must be so.
#pragma once

#include <cstddef>
#include <cstdint>
#include <iosfwd>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "campaign/draw.hpp"
#include "campaign/feed.hpp"
#include "campaign/tally.hpp"
#include "signals/bus_map.hpp"
#include "simulate/simulation.hpp"

namespace cw::campaign {

enum class Situation : std::uint8_t {
  nothing,      // no fault; cuts, perhaps
  ecu_alone,    // odd edges or a dead crank signal behind the tap: the ECU's input stage alone sees them
  both,         // ... at the sensor: both see them
  tap_alone,    // ... on the tap's wire: the ECU hears nothing of them
  restart,      // the ECU's supply dips
  silent,       // its broadcast stops
  tooth_count,  // it was told another tooth count for its speed
  offset,       // somebody enters another trigger offset
  advance,      // it says another spark advance than it fires with
};
inline constexpr std::size_t situations = 9;
std::string_view to_string(Situation situation);

struct TwoSidedCase {
  Case drawn;
  std::vector<BusMap> maps;
  std::string layout;  // slate, marl or eec1
  Situation situation = Situation::nothing;
};

// Engines are those of the campaign whose wheel has a gap (others are not modelled, sim::can_count). Runs without a place
// for the fault - the engine above running speed, the ECU in sync for 2 s before and 4 s to come - are drawn again. Never
// throws; look at Case::problem.
TwoSidedCase draw_two_sided(std::uint64_t seed);

// Something that must be said.
struct TwoSidedWanted {
  std::string label;    // row of the confusion matrix: the situation, and the kind of fault
  std::string found;    // column: what was said, with whom it blames; or "nothing"
  bool named = false;   // a finding of the right kind came in time
  bool blamed = false;  // ... and names the right one
};

struct TwoSidedVerdict {
  std::uint64_t seed = 0;
  std::string problem;
  Situation situation = Situation::nothing;
  std::vector<TwoSidedWanted> wanted;
  std::vector<std::string> false_alarms;  // warnings and faults about the ECU that no truth explains, in words
  std::vector<std::string> false_alarm_kinds;

  bool good() const;
};

// `simulation` of `drawn`, and what the monitor said of it.
TwoSidedVerdict judge_two_sided(const TwoSidedCase& drawn, const sim::Simulation& simulation, const Observed& observed);

// Why a run failed, in a few words; empty = it did not.
std::string failure_of(const TwoSidedVerdict& verdict);
std::vector<std::string> missed_targets(std::span<const TwoSidedVerdict> verdicts, const Demands& demands = targets);
void print_report(std::span<const TwoSidedVerdict> verdicts, std::ostream& out);

}  // namespace cw::campaign
