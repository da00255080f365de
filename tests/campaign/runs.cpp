#include "campaign/runs.hpp"

namespace cw::campaign {

Run run_seed(std::uint64_t seed) {
  Run run;
  run.drawn = draw_case(seed);
  if (!run.drawn.problem.empty()) {
    run.verdict.seed = seed;
    run.verdict.problem = run.drawn.problem;
    return run;
  }
  run.simulation = sim::simulate(run.drawn.engine, run.drawn.scenario);
  Dice cuts(seed, 5);
  run.observed = observe(run.drawn.engine, stream_of(run.simulation), cuts);
  run.verdict = judge(run.drawn, run.simulation, run.observed);
  return run;
}

MismatchRun run_mismatch(std::uint64_t seed) {
  MismatchRun run;
  run.mismatch = draw_mismatch(seed);
  const Case& drawn = run.mismatch.drawn;
  if (!drawn.problem.empty()) {
    run.verdict.seed = seed;
    run.verdict.kind = run.mismatch.kind;
    run.verdict.problem = drawn.problem;
    return run;
  }
  run.simulation = sim::simulate(drawn.engine, drawn.scenario);
  Dice cuts(seed, 15);
  run.observed = observe(run.mismatch.file, stream_of(run.simulation), cuts);
  run.verdict = judge_mismatch(run.mismatch, run.simulation, run.observed);
  return run;
}

TwoSidedRun run_two_sided(std::uint64_t seed) {
  TwoSidedRun run;
  run.two_sided = draw_two_sided(seed);
  const Case& drawn = run.two_sided.drawn;
  if (!drawn.problem.empty()) {
    run.verdict.seed = seed;
    run.verdict.situation = run.two_sided.situation;
    run.verdict.problem = drawn.problem;
    return run;
  }
  run.simulation = sim::simulate(drawn.engine, drawn.scenario);
  Dice cuts(seed, 25);
  run.observed = observe(drawn.engine, stream_of(run.simulation), cuts, run.two_sided.maps);
  run.verdict = judge_two_sided(run.two_sided, run.simulation, run.observed);
  return run;
}

}  // namespace cw::campaign
