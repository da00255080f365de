// A simulation to files: edges.csv as the edge CSV source reads it, can.log as candump -L writes it, truth.json for
// whoever judges.
#pragma once

#include <optional>
#include <string>

#include "geometry/engine.hpp"
#include "simulate/scenario.hpp"
#include "simulate/simulation.hpp"

namespace cw::sim {

// Header "t_ns,channel,edge", edge r or f. On failure one line that names the file.
std::optional<std::string> write_edges_csv(const Simulation& simulation, const std::string& path);

// A line a frame: "(seconds.microseconds) interface ID#DATA".
std::optional<std::string> write_can_log(const Simulation& simulation, const EcuBroadcast& can,
                                         const std::string& path);

// Times in ns, angles in crank degrees rounded to 1e-6, speeds in rpm rounded to 1e-4; layout: SCENARIO.md.
std::optional<std::string> write_truth_json(const Simulation& simulation, const Scenario& scenario,
                                            const std::string& path);

// The whole command behind `simulate`, once the scenario and the engine it names are loaded: checks, runs, makes
// `out_dir` if need be and writes edges.csv, truth.json and, of an ECU that broadcasts, can.log there. On failure one line for a person.
std::optional<std::string> run_scenario(const Engine& engine, const Scenario& scenario, const std::string& out_dir);

}  // namespace cw::sim
