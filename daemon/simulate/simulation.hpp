// One simulated run: edges as a capture device would see them, and the truth behind them. Pure: no file, no clock.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "geometry/engine.hpp"
#include "simulate/motion.hpp"
#include "simulate/scenario.hpp"

namespace cw::sim {

struct SimEdge {
  std::int64_t t_ns = 0;
  std::uint8_t channel = 0;  // index into Simulation::channels
  bool rising = false;
  friend bool operator==(const SimEdge&, const SimEdge&) = default;
};

// A fault as it came out.
struct TruthFault {
  std::string kind;  // to_string(FaultKind)
  std::int64_t t_ns = 0;
  std::optional<std::int64_t> end_ns;  // of a fault that lasts
  double crank_deg = 0;                // true crank angle, [0, cycle)
  std::int64_t cycle = 0;              // as in Fault
  std::string channel;
  std::string cam;           // name; empty = none
  std::optional<int> tooth;  // number of the missed tooth, of the tooth before a spurious pulse, of a cam's edge
  int count = 1;             // edges of the active polarity (listed edges of a cam) added or taken away; pulses
  double value = 0;          // degrees, microseconds or teeth, by kind
  SeenBy seen_by = SeenBy::both;
};

enum class EcuState : std::uint8_t {
  off,
  no_signal,
  searching,
  revolution,
  cycle,
  lost,  // and not yet found again
};
std::string_view to_string(EcuState state);

// A change of what the modelled ECU knows.
struct EcuMoment {
  std::int64_t t_ns = 0;
  EcuState state = EcuState::no_signal;
  int losses = 0;      // of its counter of 8 bits, from then on
  std::string reason;  // why it lost sync, in words; else empty
};

struct TruthSample {
  std::int64_t t_ns = 0;
  double crank_deg = 0;  // unwrapped: never jumps, falls when the crank turns backwards
  double rpm = 0;        // signed
};

struct Truth {
  std::string engine;
  std::uint64_t seed = 0;
  double cycle_deg = 720;
  double end_s = 0;
  std::vector<std::int64_t> tdc1_ns;        // forward passages of the true TDC1
  std::vector<std::int64_t> wheel_tdc1_ns;  // instants at which the crank wheel, with the file's offset, says TDC1
  std::vector<std::int64_t> reversals_ns;   // changes of direction
  std::vector<TruthFault> faults;           // by time
  int faults_not_reached = 0;               // listed, but the run ended or stood before
  std::vector<AngleStep> wheel_slips;       // crank wheel against crank, in unwrapped crank degrees
  std::vector<TruthSample> samples;         // each sample_deg, and at every stop
  std::vector<EcuMoment> ecu;               // by time; empty when the ECU is not modelled
};

// A frame on the bus, as stamped.
struct SimFrame {
  std::int64_t stamp_us = 0;  // on the clock of EcuBroadcast
  std::uint32_t id = 0;
  bool extended = false;
  std::array<std::uint8_t, 8> data = {};  // all messages have 8 bytes
  friend bool operator==(const SimFrame&, const SimFrame&) = default;
};

struct Simulation {
  std::vector<std::string> channels;  // as in the engine file: crank, cams, reference
  std::vector<SimEdge> edges;         // by time
  std::vector<SimFrame> frames;       // of a modelled ECU that broadcasts, by stamp
  Truth truth;
};

// Requires find_problem(engine, scenario) == nullopt.
Simulation simulate(const Engine& engine, const Scenario& scenario);

// Where the crank was, from the samples of a truth.
struct CrankPosition {
  double crank_deg = 0;  // [0, cycle)
  double wheel_deg = 0;  // the same as the slipped wheel shows it; what a decoder can at best know
  double rpm = 0;        // signed
};
CrankPosition position_at(const Truth& truth, std::int64_t t_ns);

}  // namespace cw::sim
