// One installation as the engine file describes it: wheel, cams, reference, and the limits that judge them.
// Filled and checked by config/; everything in crank degrees unless the name says otherwise.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "geometry/baseline.hpp"

namespace cw {

enum class ActiveEdge : std::uint8_t { falling, rising };
enum class OffsetBasis : std::uint8_t { piston_stop, verified_mark, unverified };
enum class ReferenceMark : std::uint8_t { tdc, spark };
enum class WheelShaft : std::uint8_t { crank, cam };

// A tooth of the wheel (or any feature that gives an active edge), by angle after the reference tooth.
struct WheelTooth {
  double angle_deg = 0;  // [0, period_deg) of the wheel, ascending; the first is 0
  int number = 1;        // as people count: from 1, missing positions counted
};

// The crank wheel. `teeth` lists the active edges that really exist.
struct Wheel {
  std::string channel = "crank";
  ActiveEdge active_edge = ActiveEdge::falling;
  WheelShaft shaft = WheelShaft::crank;
  double period_deg = 360;  // 360 on the crank; 720 for a wheel on the cam of a four-stroke
  std::vector<WheelTooth> teeth;
  int positions = 0;              // pitch count with the missing ones; equals teeth.size() for an angle list
  double trigger_offset_deg = 0;  // [0, 720): the marked reference tooth stands at crank angle 720 - offset
  OffsetBasis offset_basis = OffsetBasis::unverified;
  double delay_us = 0;  // known delay of tap and conditioner; subtracted from the edge times
};

struct CamEdge {
  double angle_deg = 0;  // crank angle in [0, cycle_deg), phaser parked
  ActiveEdge edge = ActiveEdge::falling;
};

struct CamPattern {
  std::string name;  // for people and for the phase_<name>_deg columns
  std::string channel;
  std::vector<CamEdge> edges;  // ascending by angle; both polarities when the file gives rising_deg and falling_deg
  double phaser_min_deg = 0;   // travel from park, negative = advance (earlier); both 0 for a fixed cam
  double phaser_max_deg = 0;
  double tolerance_deg = 8;       // > 0
  std::optional<int> gear_teeth;  // of the cam gear: one tooth is 720/gear_teeth crank degrees
  // Of the crank gear, where another stage lies between it and the cam gear: one tooth there is 360/N crank degrees, and
  // every cam behind that stage moves by it.
  std::optional<int> crank_gear_teeth;
  std::string moves_with;  // name of a cam (of the other bank) that is driven and commanded alike; empty = none
  double delay_us = 0;

  bool turns_with_crank = false;  // an index, not a cam: the same edges in every crank turn, no drive between

  bool fixed() const { return phaser_min_deg == 0 && phaser_max_deg == 0; }  // no phaser
  // Whether rising and falling edges are listed; false without edges.
  bool lists_both_edges() const;
};

struct Reference {
  std::string channel = "ref";
  ActiveEdge active_edge = ActiveEdge::falling;
  ReferenceMark marks = ReferenceMark::spark;
  double period_deg = 720;   // 360: wasted spark
  double advance_deg = 0;    // locked; the pulse is expected at crank angle -advance
  std::string advance_from;  // name of a CAN signal instead of advance_deg; empty = locked
  double delay_us = 0;
};

// From an event to the quickest arrival of its item that there can be: what no fit of clocks can see (clocks/).
struct LeastDelay {
  double ms = 1.0;
  double uncertainty_ms = 1.0;  // 95 % half width

  friend bool operator==(const LeastDelay&, const LeastDelay&) = default;
};
// What is usual for a driver of that name; what stands beside each says why.
LeastDelay usual_least_delay(std::string_view driver);

struct SourceSpec {
  std::string driver;  // name in the driver registry
  std::string address;
  std::vector<std::pair<std::string, std::string>> channels;  // (channel in this file, device's own name)
  int baud = 115200;                                          // bits a second; serial ports only
  bool allow_remote = false;                                  // network: hosts other than this computer
  LeastDelay least_delay = {};                                // of its items, to arrive at this computer
};

// What an ECU says on a bus: which signal map tells it.
struct CanSpec {
  std::string map;        // path of the map, from the folder of the engine file
  std::string interface;  // frames of this interface only; empty = of any
};

// Limits that turn numbers into findings. Each has a key of the same name under [limits] in the engine file.
struct Limits {
  double tdc_warning_deg = 1.0;  // |mean TDC deviation| to open tdc-deviation as a warning
  double tdc_fault_deg = 3.0;    // ... as a fault
  double hysteresis = 0.5;       // a condition closes below this share of its opening limit
  int hold_cycles = 8;           // cycles that must agree before a deviation opens or closes
  double cam_warning_deg = 4.0;  // fixed cam: |phase| to open cam-deviation
  double margin_warning = 0.25;  // sync margin to open margin-low, running speed only
  double running_rpm = 400;      // above it margin and deviations are judged against the running limits
  // What the ECU says on CAN against what the witness sees. Any age is from the arrival of the frame.
  double ecu_speed_pct = 2.0;    // engine speed: by more than this share of the witness's
  double ecu_speed_rpm = 25;     // ... and by more than this
  double ecu_advance_deg = 2.0;  // spark advance against the angle of the mark
  double ecu_cam_deg = 5.0;      // cam angle against where the cam stands
  double ecu_hold_ms = 1000;     // so long a disagreement lasts before it is told, and agreement before it is over
  double ecu_latency_ms = 200;   // so old may be what a frame says when it arrives
  double ecu_stale_ms = 500;     // an older value is not compared
  double ecu_silent_ms = 1000;   // a silence of the broadcast shorter than this is not told
  // Changes against a level that is learned from the running itself. How small a change is reported; half of it is the
  // allowance of the CUSUM, so that less never adds up.
  double learn_s = 30;           // steady running from which the level is learned, 10 to 3600
  double tdc_change_deg = 0.5;   // tdc-step, tdc-drift
  double cam_change_deg = 1.0;   // cam-drift and small cam-steps, engine warm
  double cam_warm_up_deg = 3.0;  // ... little by little in the first `warm_up_s`: warmth moves cams by a degree or two
  double warm_up_s = 900;        // 0 = the engine is warm from the start
  double cam_pair_deg = 2.0;     // difference of two cams that move together
  double cam_target_deg = 5.0;   // cam-off-target: where the ECU wants the cam against where it stands
  double run_out_deg = 0.25;     // wheel-run-out: amplitude
  double tooth_error_deg = 0.5;  // damaged-tooth: one tooth against the rest of the wheel
};

enum class RecordMode : std::uint8_t {
  everything,  // all items of the session stay
  black_box    // only the windows around warnings and faults stay, and the latest lead_in_s
};

// How `run` records, and what happens to old sessions. Each has a key of the same name under [record] in the engine
// file.
struct RecordSpec {
  std::string folder = "sessions";  // where sessions go when the command line names none
  RecordMode mode = RecordMode::everything;
  double lead_in_s = 30;  // kept before a warning or fault, in black-box mode and when old sessions are thinned
  double after_s = 10;    // ... and after it
  std::optional<double> keep_days;  // older sessions in `folder` lose their idle running; nothing = they are kept
  std::optional<double> keep_gib;   // ... and so do the oldest while all take more than this
  double free_floor_mib = 16;       // with less room on the disk no raw items are written, findings are; 0: no floor
  bool report = true;               // `run` writes report.html at a session's end, and some time after a lost sync
};

// The live page, status and metrics of `run`. Each has a key of the same name under [serve] in the engine file.
struct ServeSpec {
  std::string address;             // "127.0.0.1:7200" or "[::1]:7200"; empty: nothing is served
  bool allow_remote = false;       // other computers may connect: an address that is not this computer's own
  std::vector<std::string> hosts;  // names by which browsers reach it, beside localhost and addresses as numbers
};

struct Engine {
  std::string name;
  std::string baseline_file;         // path as the file gives it; empty = none
  std::optional<Baseline> baseline;  // what was read from it
  int cylinders = 4;
  std::vector<int> firing_order;
  std::vector<double> firing_angles_deg;  // TDC of each cylinder, indexed as cylinder 1, 2, ...; [0] is 0
  double cycle_deg = 720;                 // 360: two-stroke
  Wheel crank;
  std::vector<CamPattern> cams;
  std::optional<Reference> reference;
  std::vector<SourceSpec> sources;
  std::vector<CanSpec> can;
  Limits limits;
  RecordSpec record;
  ServeSpec serve;
};

// Teeth of a wheel with `positions` equal pitches over `period_deg`, less the missing ones. Each gap is (number of the
// last tooth before it, how many are missing): 60-2 is positions = 60, gaps = {{58, 2}}. Positions are numbered from 1,
// missing ones counted. Requires that gaps do not overlap and leave a tooth at position 1.
struct WheelGap {
  int after_tooth = 0;
  int missing = 0;
};
std::vector<WheelTooth> pitched_teeth(int positions, const std::vector<WheelGap>& gaps, double period_deg);

// Teeth at given angles, ascending, the first 0; numbered 1, 2, ...
std::vector<WheelTooth> listed_teeth(const std::vector<double>& angles_deg);

// From each TDC to the next, in the order of their angles, around the cycle.
std::vector<double> firing_steps_deg(const Engine& engine);

// TDC angle of each cylinder of an even-firing engine: order {1, 3, 4, 2} over 720 gives {0, 540, 180, 360}.
std::vector<double> even_firing_angles(const std::vector<int>& firing_order, double cycle_deg);

}  // namespace cw
