// One case of the campaign, drawn from a seed: an engine, a run, its noise and its faults.
//
// What is drawn comes from physics and published ranges (CHECKS: cranking at mean 150, least 85, greatest 225 rpm
// within a cycle, Tech Briefs test report; the rest is common practice, no source), never from what the decoder likes.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "campaign/dice.hpp"
#include "geometry/engine.hpp"
#include "simulate/motion.hpp"
#include "simulate/scenario.hpp"

namespace cw::campaign {

struct Case {
  std::uint64_t seed = 0;
  std::string engine_toml;
  Engine engine;
  sim::Scenario scenario;
  std::string run_words;         // for people: how the engine is driven
  bool cam_fixes_cycle = false;  // the cams tell the turns of the cycle apart (geometry::position_evidence)
  bool place_known = false;      // ... or at least every tooth of a turn from every other
  std::string problem;           // not empty: the draw itself failed, a defect of the campaign or of the engine loader
};

// Never throws; look at Case::problem.
Case draw_case(std::uint64_t seed);

// The same engines with 10 s of cranking (`cranking`) or of idling, no faults: what a wheel is to be learned from.
Case draw_learn_case(std::uint64_t seed, bool& cranking);

// By the crank model with all of it drawn: a start, idling, a run-down with the fuel cut. No faults, phasers parked.
Case draw_tdc_case(std::uint64_t seed);

// Parts of draw_case.
std::string draw_engine(Dice& dice);
void draw_run(Dice& dice, Case& drawn);
void draw_run_down(Dice& dice, Case& drawn);
bool draw_learn_run(Dice& dice, Case& drawn);  // whether it is cranking
void draw_noise(Dice& dice, Case& drawn);
void draw_faults(Dice& dice, const sim::Motion& motion, Case& drawn);

}  // namespace cw::campaign
