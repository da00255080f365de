// What `learn` makes of raw edges, judged against the engine that gave them: 10 s of cranking or of idling, channels under
// names that say nothing.
//
// Given to it is what a user knows: cylinders, firing order (of an engine that fires evenly), two-stroke or not, and of a
// reference output its channel, edge and locked advance. Right is a file whose wheel is the engine's wheel, on its channel
// and shaft: the same gaps, or teeth of a list within the uncertainty told; every cam and only cams, each edge in its
// place after the reference tooth, within what is told and the play of the sensor; and with a reference the trigger
// offset. An edge is right when it is the engine file's or when both are told to do: simulated teeth are as steady on
// both sides. Which turn or which tooth of even ones is marked is free, as long as the cams fit it.
#pragma once

#include <cstdint>
#include <iosfwd>
#include <span>
#include <string>
#include <vector>

#include "campaign/draw.hpp"
#include "campaign/tally.hpp"
#include "campaign/wheel_class.hpp"
#include "learn/learn.hpp"
#include "simulate/simulation.hpp"

namespace cw::campaign {

struct LearnRun {
  Case drawn;
  bool cranking = false;
  sim::Simulation simulation;
  learn::Known known;
  learn::Learned learned;
  std::string toml;
};

struct LearnVerdict {
  std::uint64_t seed = 0;
  std::string problem;  // the draw failed: a defect
  WheelClass wheel = WheelClass::one_gap;
  bool cranking = false;
  std::string cannot_tell;   // its own words, when it proposed nothing
  std::string wrong;         // what is wrong with the file; empty when right or when none was proposed
  double cam_error_deg = 0;  // greatest of a right file
};

// Never throw.
LearnRun run_learn(std::uint64_t seed);
LearnVerdict judge_learn(const LearnRun& run);

// One line a wheel form, for cranking and idling: runs, right, can't tell, wrong; shares with 95 % bounds.
void print_report(std::span<const LearnVerdict> verdicts, std::ostream& out);
std::string failure_of(const LearnVerdict& verdict);
// 98 % right of all; the gate's floor is lower (`by_floors`).
std::vector<std::string> missed_targets(std::span<const LearnVerdict> verdicts, const Demands& demands);

}  // namespace cw::campaign
