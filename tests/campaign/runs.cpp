#include "campaign/runs.hpp"

#include <utility>

namespace cw::campaign {

namespace {

// Simulates what was drawn and lets the monitor, given `file`, watch it; false, and said so, when it could not be drawn.
// `cuts`: the stream of random numbers that the batches are cut by.
template <class Result>
bool observed_run(const Case& drawn, const Engine& file, std::uint64_t cuts, Result& run,
                  std::vector<BusMap> maps = {}) {
  run.verdict.seed = drawn.seed;
  run.verdict.problem = drawn.problem;
  if (!drawn.problem.empty()) {
    return false;
  }
  run.simulation = sim::simulate(drawn.engine, drawn.scenario);
  Dice dice(drawn.seed, cuts);
  run.observed = observe(file, stream_of(run.simulation), dice, std::move(maps));
  return true;
}

}  // namespace

Run run_seed(std::uint64_t seed) {
  Run run;
  run.drawn = draw_case(seed);
  if (observed_run(run.drawn, run.drawn.engine, 5, run)) {
    run.verdict = judge(run.drawn, run.simulation, run.observed);
  }
  return run;
}

MismatchRun run_mismatch(std::uint64_t seed) {
  MismatchRun run;
  run.mismatch = draw_mismatch(seed);
  run.verdict.kind = run.mismatch.kind;
  if (observed_run(run.mismatch.drawn, run.mismatch.file, 15, run)) {
    run.verdict = judge_mismatch(run.mismatch, run.simulation, run.observed);
  }
  return run;
}

TwoSidedRun run_two_sided(std::uint64_t seed) {
  TwoSidedRun run;
  run.two_sided = draw_two_sided(seed);
  run.verdict.situation = run.two_sided.situation;
  if (observed_run(run.two_sided.drawn, run.two_sided.drawn.engine, 25, run, run.two_sided.maps)) {
    run.verdict = judge_two_sided(run.two_sided, run.simulation, run.observed);
  }
  return run;
}

}  // namespace cw::campaign
