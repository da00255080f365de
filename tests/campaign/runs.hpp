// One seed: drawn, simulated, observed, judged.
#pragma once

#include <cstdint>

#include "campaign/feed.hpp"
#include "campaign/judge.hpp"
#include "campaign/mismatch.hpp"
#include "campaign/two_sided.hpp"
#include "simulate/simulation.hpp"

namespace cw::campaign {

struct Run {
  Case drawn;
  sim::Simulation simulation;
  Observed observed;
  Verdict verdict;
};

// Never throws; what could not be run says so in its verdict.
Run run_seed(std::uint64_t seed);

struct MismatchRun {
  MismatchCase mismatch;
  sim::Simulation simulation;
  Observed observed;
  MismatchVerdict verdict;
};

MismatchRun run_mismatch(std::uint64_t seed);

struct TwoSidedRun {
  TwoSidedCase two_sided;
  sim::Simulation simulation;
  Observed observed;
  TwoSidedVerdict verdict;
};

TwoSidedRun run_two_sided(std::uint64_t seed);

}  // namespace cw::campaign
