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

struct Ecu {
  double error_deg = 0;               // its idea of TDC is this much late
  std::vector<PhaserPoint> drift;     // ... and this much over time, linear between points, held outside
  double delay_us = 0;                // its output comes this much late
  double jitter_us = 0;               // standard deviation of its output
  std::optional<double> advance_deg;  // instead of the engine file's locked advance
  double dwell_ms = 3.0;              // before the spark; at most 80 % of the time since the spark before
  double pulse_ms = 1.0;              // width of a TDC pulse
  double starts_after_deg = 720;      // turning it needs before its first output, and again after a dead crank signal
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
};
// Spelled as the finding it should lead to, for example "missed-edge"; reference-error and reference-delay are causes
// without a kind of their own (they show as tdc-deviation).
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
  bool one_edge = false;  // the capture loses only the active edge; else the tooth gives no pulse at all
  std::string cam;        // empty = all cams (cam_step) or the first
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
