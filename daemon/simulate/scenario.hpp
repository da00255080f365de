// What is to be simulated: how the engine is driven, what its sensors and its ECU are like, what goes wrong and when.
// Plain data with defaults; SCENARIO.md describes the same as keys of the scenario file.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "geometry/engine.hpp"
#include "simulate/reluctor.hpp"

namespace cw::sim {

// One harmonic of the speed within a revolution, as a function of crank angle.
struct Ripple {
  double order = 1;      // periods a crank revolution, > 0; 0.5 is once a four-stroke cycle
  double amplitude = 0;  // share of the mean speed, 0 to below 1 (sum over all ripples of a phase below 1)
  double phase_deg = 0;  // of the harmonic: speed share = amplitude * cos(order * crank_deg - phase_deg)
};

// Burning far too early while cranking: all heat at once at `advance_deg` before TDC of the next cylinder that comes
// there. Enough of it throws the crank backwards.
struct KickBack {
  double after_s = 0;       // from the start of the phase
  double advance_deg = 25;  // before TDC, 1 to 90
  double heat_j = 350;
};

enum class PhaseKind : std::uint8_t {
  rest,      // starter off, fuel off: a standing crank stays, a moving one runs down
  crank,     // starter on, fuel off
  run,       // fuel on, governed to `rpm`
  ramp,      // fuel on, target goes from `rpm` to `rpm_end` linearly
  sweep,     // fuel on, target swings between `rpm` and `rpm_end` as a triangle of `period_s`
  run_down,  // fuel cut: down to the stop, with the swing back at its end
  profile,   // speed given directly: mean from `rpm` to `rpm_end` linearly in time, times the ripple
};

struct Phase {
  PhaseKind kind = PhaseKind::rest;
  double duration_s = 0;  // > 0
  double rpm = 0;         // mean over crank angle, not over time (a rippling crank spends longer where it is slow)
  double rpm_end = 0;     // ramp, sweep, profile
  double period_s = 1;    // sweep
  std::vector<Ripple> ripples;        // profile
  std::optional<KickBack> kick_back;  // crank
};

// Rigid crank, flywheel and pistons. Numbers are ours (an invented two-litre four); friction of the size of the
// correlation in Heywood ch. 13 (1 to 4 bar of friction mean pressure), from memory.
struct EngineModel {
  double bore_mm = 86;
  double stroke_mm = 86;
  double rod_ratio = 3.5;           // rod length / crank radius, > 1
  double compression_ratio = 10.5;  // > 1
  double reciprocating_kg = 0.55;   // a cylinder
  double inertia_kg_m2 = 0.15;      // crank, flywheel, rotating part of the rods
  double friction_nm = 16;          // constant part, against the motion
  double friction_nm_s = 0.04;      // viscous part, per rad/s
  double breakaway_nm = 18;         // friction of the standing crank, >= friction_nm
  double starter_stall_nm = 170;    // at the crank
  double starter_free_rpm = 260;    // torque falls linearly to 0 here; above it the one-way clutch overruns
  double polytropic = 1.32;         // p V^n = constant while the valves are shut
  double closed_deg = 140;          // valves (ports) are shut from this before to this after firing TDC
  double ambient_kpa = 101.3;       // in the crank case and through open valves
  double leak_s = 0.6;              // time constant of blow-by past the rings; 0 = tight
  double burn_start_deg = -15;      // Wiebe function, a = 5, m = 2 (Heywood ch. 9)
  double burn_deg = 50;
  double burn_scatter = 0.02;  // relative standard deviation of the heat from firing to firing
  double heat_max_j = 1500;    // greatest heat a firing
  double governor_s = 0.3;     // time in which the governor takes out a speed error
  double step_deg = 1.5;       // integration step: this angle or
  double step_ms = 0.25;       // this time, whichever is shorter
};

struct SensorNoise {
  double jitter_ns = 0;   // standard deviation, Gaussian
  double jitter_deg = 0;  // the same in crank degrees: a weak tooth, a rough edge
  double delay_us = 0;    // fixed delay that the engine file does not know; its own delay_us comes on top
};

struct CrankSensor {
  SensorNoise noise;
  double duty = 0.5;                     // tooth width as a share of the pitch, 0.02 to 0.98
  std::vector<double> pitch_errors_deg;  // a tooth that exists each, in the engine file's order; empty = none
  double pitch_error_sd_deg = 0;         // drawn from the seed, in addition
  double run_out_deg = 0;                // first order: amplitude * cos(wheel angle - phase)
  double run_out_phase_deg = 0;
  double backlash_deg = 0;            // of a wheel on the cam: as CamSensor's
  double torsion_deg = 0;             // ... likewise
  std::optional<Reluctor> backwards;  // a reluctor whose two wires are swapped; absent = right
};

struct PhaserPoint {
  double t_s = 0;
  double deg = 0;
};

struct CamSensor {
  std::string name;  // of the cam in the engine file
  SensorNoise noise;
  double width_deg = 0;     // crank degrees of a tooth when the file gives one edge of each; 0 = half the least step,
                            // at most 30. A half-moon has 360.
  double backlash_deg = 0;  // gear or chain play, crank degrees: the cam lies anywhere in +- half of it
  double torsion_deg = 0;   // standard deviation of twist and spring scatter, crank degrees
  double phase_deg = 0;     // fixed error of assembly, positive = late
  std::vector<PhaserPoint> phaser;  // position over time, linear between points, held outside; empty = parked
};

// How the ECU itself finds the crank's position: it counts teeth from gap to gap on its own input stage and believes
// nothing else (ecu_counter.hpp).
struct EcuCounter {
  // Its input stage, beyond what the sensor puts on the wire.
  double jitter_ns = 0;      // standard deviation
  double delay_us = 0;       // of its filter
  double threshold_rpm = 0;  // below this speed the signal stays under its threshold: it sees no crank edge
  // Its rules.
  double gap_ratio = 0;         // an interval so many times the one before is a gap; 0 = 60 % of the way from 1 to the
                                // least such ratio of the wheel
  int good_turns = 2;           // whole turns with the right count before it says that it knows the position
  int cam_edges = 2;            // cam edges in a row that must say the same turn before it knows the cycle
  int tolerate_teeth = 0;       // a count off by up to so many is put right at the gap without a word; 0 = strict
  double stopped_s = 0.5;       // no edge for so long: the engine stands
  double least_rpm = 30;        // slower than this from tooth to tooth it takes the engine to stop
  double loss_above_rpm = 300;  // teeth that end above this speed are a lost signal, below it a stop
  bool counts_stops = false;    // its loss counter steps at a stop too
  // Its speed.
  double speed_over_deg = 90;  // measured over so much of the crank
  double speed_filter_ms = 20;
  int speed_teeth = 0;  // tooth count that it was told for the speed alone; 0 = the wheel's
};

enum class CanLayout : std::uint8_t {
  slate,  // config/can/slate.dbc: little-endian
  marl,   // config/can/marl.dbc: big-endian, multiplexed
  eec1,   // SAE J1939 EEC1, engine speed alone
};

// What the ECU broadcasts, and how it reaches the log.
struct EcuBroadcast {
  std::vector<CanLayout> layouts = {CanLayout::slate};
  std::string interface = "can0";
  double period_scale = 1;       // of all periods
  double latency_ms = 1;         // from the value to the frame that is ready to be sent
  double latency_jitter_ms = 1;  // evenly up to this on top
  double bit_rate = 500000;
  double bus_load = 0.2;  // share of time that other nodes' frames hold the bus, 0 to 0.9
  // The clock that stamps the frames, where it is not the edges' own: stamp = offset + time (1 + skew) + transport.
  double clock_offset_s = 0;
  double clock_skew_ppm = 0;
  double transport_ms = 0;         // least delay from the bus to the stamp
  double transport_jitter_ms = 0;  // mean of an exponential on top
};

struct AdvancePoint {
  double rpm = 0;
  double deg = 0;  // before TDC
};

struct EcuSpan {
  double from_s = 0;
  double to_s = 0;
};

struct Ecu {
  double error_deg = 0;               // its idea of TDC is this much late
  std::vector<PhaserPoint> drift;     // ... and this much over time, linear between points, held outside
  double delay_us = 0;                // its output comes this much late
  double jitter_us = 0;               // standard deviation of its output
  std::optional<double> advance_deg;  // instead of the engine file's locked advance
  double dwell_ms = 3.0;              // before the spark; at most 80 % of the time since the spark before
  double pulse_ms = 1.0;              // width of a TDC pulse
  double starts_after_deg = 720;      // turning it needs before its first output, and again after a dead crank signal
  // With one of these it is modelled whole: its output then comes while its own counter knows the position, instead of
  // `starts_after_deg`.
  std::optional<EcuCounter> counter;
  std::optional<EcuBroadcast> can;
  std::vector<AdvancePoint> advance_table;  // spark advance over its speed, ascending; empty = locked
  std::vector<EcuSpan> spark_cuts;          // no spark meanwhile, and it says so
  std::vector<EcuSpan> fuel_cuts;           // it says so

  bool modelled() const { return counter.has_value() || can.has_value(); }
};

enum class FaultKind : std::uint8_t {
  extra_edge,            // `count` spurious pulses, one each interval, `fraction` of the way from tooth to next tooth
  noise_burst,           // `count` spurious pulses within `span_deg`
  missed_edge,           // tooth `tooth` (0 = the next), `count` in a row
  crank_signal_stopped,  // for `for_s`
  cam_edge_missing,      // edge number `tooth` of the pattern (0 = the next), `count` in a row
  cam_signal_dead,       // for `for_s`
  cam_extra_edge,        // a spurious pulse
  cam_step,              // belt or chain jumps by `teeth` of the cam gear, positive = cam late
  crank_wheel_step,      // wheel slips on the shaft by `deg`, positive = teeth late; the ECU goes with it
  reference_error,       // ECU's idea of TDC moves by `deg`
  reference_delay,       // ECU's output moves by `us`
  reference_missing,     // `count` pulses, or all for `for_s`
  // Of a modelled ECU:
  ecu_restarted,          // its supply dips; it is off for `for_s`, then begins afresh, its loss counter at 0
  ecu_silent,             // no frames for `for_s`
  ecu_late,               // frames come later by `us`
  ecu_offset_changed,     // somebody enters a trigger offset greater by `deg`: its timing moves, and it says so
  ecu_speed_disagrees,    // it takes the wheel to have `count` teeth when it works out the speed
  ecu_advance_disagrees,  // it says `deg` more advance than it fires with
};
// Who sees a fault on a sensor's wire: a fault of the sensor is seen by all, one behind the tap by one alone.
enum class SeenBy : std::uint8_t { both, tap, ecu };
std::string_view to_string(SeenBy seen_by);
// Spelled as the finding it should lead to, for example "missed-edge"; reference-error, reference-delay and ecu-late are
// causes without a kind of their own (they show as tdc-deviation and ecu-silent).
std::string_view to_string(FaultKind kind);
std::optional<FaultKind> fault_kind_of(std::string_view text);

struct Fault {
  FaultKind kind = FaultKind::missed_edge;
  // Where: a time, or else engine cycle and crank angle. Cycle 0 is the one in which the run starts, cycle n begins at
  // the n-th forward TDC1.
  std::optional<double> at_s;
  int cycle = 0;
  double angle_deg = 0;
  std::optional<double> for_s;  // absent = to the end of the run
  int every_cycles = 0;         // > 0: again every so many cycles, until for_s is over
  int tooth = 0;
  int count = 1;
  double fraction = 0.5;
  double width_us = 20;
  double span_deg = 30;
  bool one_edge = false;  // only the active edge is lost; else the tooth gives no pulse at all
  SeenBy seen_by = SeenBy::both;
  std::string cam;  // empty = all cams (cam_step) or the first
  int teeth = 0;
  double deg = 0;
  double us = 0;
};

struct Scenario {
  std::string engine_path;  // as resolved against the scenario file; not read here
  std::uint64_t seed = 1;
  double start_deg = 300;           // crank angle at time 0, [0, cycle)
  std::optional<double> start_rpm;  // default: 0 when the first phase is rest, crank or run-down, else that phase's rpm
  std::int64_t tick_ns = 1;         // of the capture device's counter, edges are cut down to it
  double sample_deg = 10;           // spacing of Truth::samples
  EngineModel model;
  CrankSensor crank;
  std::vector<CamSensor> cams;  // those that differ from the default
  Ecu ecu;
  std::vector<Phase> phases;
  std::vector<Fault> faults;
};

// The speed within a cycle as published for a cranked V8 (Tech Briefs, test and measurement 21269: mean 150, least 85,
// greatest 225 rpm, main component 4 a revolution), with `order` waves a revolution instead of 4 for other engines.
// `mean` is over time, as measured. The share of the second harmonic that joins the three figures is our own working:
// w = c + 70 cos x + b cos 2x with c + b = 155, and 1 / mean(1/w) = 150.
Phase published_cranking(double order, double duration_s);

// The speed within a cycle of an engine that fires unevenly: a dip before each firing's dead centre and a rise after it,
// `depth` (share of the mean) half way from lowest to highest. Each compression takes energy from the crank and gives it
// back, so speed falls and rises with the energy in the gas; its shape here, a raised cosine 90 degrees to each side, is our
// own. Even firing leaves the harmonics of the firing order only.
std::vector<Ripple> firing_ripple(const Engine& engine, double depth);

// What is wrong with a scenario for this engine, one line; nullopt when it can be run.
std::optional<std::string> find_problem(const Engine& engine, const Scenario& scenario);

}  // namespace cw::sim
