// What goes wrong: places in a run, and what each fault does to phases and wires.
#pragma once

#include <string>
#include <vector>

#include "simulate/motion.hpp"
#include "simulate/scenario.hpp"
#include "simulate/sensors.hpp"
#include "simulate/simulation.hpp"

namespace cw::sim {

struct Place {
  double t_s = 0;
  double crank_deg = 0;  // unwrapped
};

// Where a fault happens in this run: none when the run never gets there, several with every_cycles.
std::vector<Place> places_of(const Fault& fault, const Motion& motion, double cycle_deg);

// End of a fault that lasts, at most the end of the run.
double end_of(const Fault& fault, const Place& place, const Motion& motion);

// All wires of a run, to be disturbed.
struct Wires {
  Wire crank;
  std::vector<Wire> cams;  // as Engine::cams
  std::optional<Wire> reference;
};

// Applies one fault that works on wires (the others do nothing here) and writes down what it did.
void disturb(const Fault& fault, const Engine& engine, const Motion& motion, Wires& wires, Random& random,
             Truth& truth);

// A truth entry at a place, everything else default.
TruthFault noted(const Fault& fault, double t_s, const Motion& motion, double cycle_deg);

}  // namespace cw::sim
