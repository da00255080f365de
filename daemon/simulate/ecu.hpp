// A modelled ECU over a run: its input stage, its counter, what it fires and what it says on CAN.
#pragma once

#include <vector>

#include "geometry/engine.hpp"
#include "simulate/can_messages.hpp"
#include "simulate/ecu_counter.hpp"
#include "simulate/motion.hpp"
#include "simulate/scenario.hpp"
#include "simulate/sensors.hpp"
#include "simulate/simulation.hpp"

namespace cw::sim {

// Faults of the ECU itself over a run.
struct EcuTrouble {
  std::vector<TimedStep> off;            // without supply
  std::vector<TimedStep> silent;         // no frames
  std::vector<TimedStep> late_us;        // frames later by so much
  std::vector<TimedStep> offset_deg;     // of the trigger offset entered
  std::vector<TimedStep> speed_teeth;    // tooth count told for the speed
  std::vector<TimedStep> advance_error;  // said less fired, degrees of advance
};

// What the sensors' wires look like behind the ECU's input stage: later, noisier, and nothing of the crank below its
// threshold. `wires` before any fault; faults are put in afterwards.
Wires behind_input(const Wires& wires, const EcuCounter& counter, const Motion& motion, std::uint64_t seed);

// Changes of the spark advance that it fires with, by time; empty when it is locked.
std::vector<TimedStep> advance_of(const Ecu& ecu, const EcuHistory& history, double end_s);

// When it fires nothing: it does not know the position, or the spark is cut.
std::vector<TimedStep> quiet_of(const Engine& engine, const Ecu& ecu, const EcuHistory& history, double end_s);

// The frames of its broadcast, by stamp. Values are those of the time of each message's slot; bus and stamp make it later.
std::vector<SimFrame> broadcast(const Engine& engine, const Scenario& scenario, const EcuHistory& history,
                                const EcuTrouble& trouble, double end_s);

}  // namespace cw::sim
