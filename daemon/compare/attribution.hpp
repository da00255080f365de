// The one table that answers "sensor, wheel, belt or ECU?": what was seen, and under which circumstances, to who is
// behind it, why, and what to check next. DEVELOPERS.md shows it; tests/unit/compare walks it row by row.
#pragma once

#include <span>
#include <string_view>
#include <vector>

#include "items/observation.hpp"

namespace cw {

// What the evidence beside a finding says. Each finding kind uses a few of these.
enum class Circumstance : std::uint8_t {
  any,
  one_edge,               // a single odd edge
  teeth_in_a_row,         // several teeth in a row
  one_interval,           // one interval too long or short, all else whole
  train,                  // many odd edges close together
  position_contradicted,  // the teeth or the cams came to say another position
  position_ambiguous,     // too many odd edges to say where the crank is
  cams_go_on,             // the crank is silent, the cams still turn
  all_silent,             // every channel fell silent at speed
  crank_goes_on,          // the cam is silent, the crank still turns
  whole_teeth_one_cam,    // one of several cams moved by whole teeth of its gear
  whole_teeth_only_cam,   // the only cam watched moved by whole teeth
  whole_teeth_all_cams,   // all cams moved alike, by whole teeth
  part_tooth_one_cam,     // one of several cams moved, by no whole number of teeth
  part_tooth_only_cam,    // the only cam watched moved, by no whole number of teeth
  part_tooth_all_cams,    // all cams moved alike, by no whole number of teeth
  cams_steady,            // the reference moved against the teeth, the cams did not
  other_wheel,            // the crank edges are those of another wheel
  channels_swapped,       // the crank wheel's pattern is on a cam channel
  other_shaft,            // the cams' edges come half or twice as often as they should
  wired_backwards,        // two long intervals beside each gap: a reluctor with its wires swapped
  other_edge,             // the pattern is in the edges of the other polarity
  tooth_every_turn,       // one tooth, which stands alone, gives no edge in any turn
  tooth_displaced,        // one tooth, away from the gaps, stands far out of its place in every turn
  edge_every_turn,        // one edge too many in every turn, always at the same place
  cam_pattern,            // a cam's edges come cycle by cycle at the same angles, which are not the file's
  cam_other_edge,         // a cam's pattern is in the edges of the other polarity
  no_cam_watched,         // nothing but the reference to hold against the teeth
  angle_alone,            // the mark is off by an angle, whatever the speed
  delay_alone,            // ... by a time, whatever the speed
  whole_steps,            // ... by a whole turn or whole teeth of the crank wheel
  dwell_edge,             // ... by a time too long for a delay
  other_device,           // a channel of the engine file comes from another device than the crank
  link_silent,            // a source that sends heartbeats sends nothing, though its link is open
  small_step_one_cam,     // one of several cams moved at once, by less than a tooth
  small_step_only_cam,    // the only cam watched did
  small_step_all_cams,    // all cams did, alike
  one_cam,                // one of several cams
  only_cam,               // the only cam watched
  all_cams_late,          // all cams alike, later
  all_cams_early,         // ... earlier
  pair_apart,             // two cams that should move together differ
  slow_to_target,         // the cam goes where it is asked to, but late
  tooth_out_of_place,     // one tooth stands elsewhere than the rest of the wheel lets expect
  tooth_moved,            // ... and stood there before
  order_one_unsure,       // seen at one speed only
  clock_stepped,          // a source's clock, or the delay of its link, was suddenly another
  // Of a CAN interface, as its error frames tell:
  bus_off,             // it has taken itself off the bus
  bus_passive,         // error counter at 128 or more
  bus_warning,         // error counter at 96 or more
  bus_no_acknowledge,  // a frame that nobody acknowledged
  bus_errors,          // errors in frames on the bus
  bus_overflow,        // frames lost in the controller
  bus_transceiver,     // the transceiver says that a wire is broken or shorted
  bus_restarted,       // it has come back by itself
  bus_other,           // anything else
  // Of what the ECU says against what the witness sees:
  ratio_steady,       // its speed is the witness's times a number that stays the same over speeds
  ecu_without_sync,   // it has no sync and the witness has
  ecu_alone_in_sync,  // it has sync and the witness, with edges, has not
  ecu_turns_alone,    // it has sync and speed while no edge comes at our tap
  ecu_found_sync,     // at a start
  ecu_gave_up_sync,   // at a stop
  odd_at_tap,         // crank edges were odd at our tap at that time, and the witness held
  lost_at_tap,        // the witness lost the position too
  cam_odd_at_tap,     // only cam edges were odd
  held_at_tap,        // a strict counter would have lost sync, the witness held
  tap_not_heard,      // there were no crank edges to see, or not at that time
  engine_stands,      // the engine did not turn
  one_message,        // one message of the broadcast, the others come
  broadcast_late,     // it comes half as often as it did, or less
};
std::string_view to_string(Circumstance circumstance);

struct AttributionRow {
  FindingKind kind;
  Circumstance circumstance;
  Severity severity;
  Attribution attribution;
  std::string_view reason;
  std::vector<std::string_view> next_checks;
  std::string_view code;  // SAE J2012, empty where none fits
  std::string_view title;
};

// Every row. For each (kind, circumstance) at most one.
std::span<const AttributionRow> attribution_table();

// The row for this pair, else the row (kind, any), else a row that says "undecided" and why.
const AttributionRow& attribute(FindingKind kind, Circumstance circumstance);

// Fills kind, severity, attribution, reason, next checks, code and title of `finding` from that row.
void apply(const AttributionRow& row, FindingKind kind, Finding& finding);

}  // namespace cw
