// crankwitness-campaign: random simulated runs by seed through the whole pipeline, judged against the truth.
#include <atomic>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <thread>

#include <CLI/CLI.hpp>

#include "campaign/learn_trial.hpp"
#include "campaign/runs.hpp"
#include "campaign/tally.hpp"
#include "campaign/tdc_trial.hpp"
#include "campaign/text.hpp"
#include "simulate/output_files.hpp"

namespace {

using namespace cw::campaign;

constexpr std::uint64_t judging_from = 1'000'000;
constexpr std::uint64_t judging_runs = 500;

struct Options {
  std::string seeds = "1000000..1000499";
  std::optional<std::uint64_t> seed;
  bool verbose = false;
  bool mismatch = false;
  bool two_sided = false;
  bool learning = false;
  bool tdc = false;
  bool floors = false;
  int jobs = 2;
  std::string write_dir;
};

struct SeedRange {
  std::uint64_t from = judging_from;
  std::uint64_t to = judging_from + judging_runs - 1;
};

std::optional<SeedRange> parse_range(const std::string& text) {
  const std::size_t dots = text.find("..");
  SeedRange range;
  const char* end = text.data() + text.size();
  const char* middle = dots == std::string::npos ? end : text.data() + dots;
  const auto first = std::from_chars(text.data(), middle, range.from);
  if (first.ec != std::errc{} || first.ptr != middle || dots == std::string::npos) {
    return std::nullopt;
  }
  const auto second = std::from_chars(middle + 2, end, range.to);
  if (second.ec != std::errc{} || second.ptr != end || range.to < range.from) {
    return std::nullopt;
  }
  return range;
}

void print_truth(const Run& run) {
  for (const cw::sim::TruthFault& fault : run.simulation.truth.faults) {
    std::cout << "  " << padded(fixed(static_cast<double>(fault.t_ns) * 1e-9, 4) + " s", 12) << fault.kind;
    if (fault.tooth) {
      std::cout << " tooth " << *fault.tooth;
    }
    std::cout << " at " << fixed(fault.crank_deg, 2) << " deg " << fault.cam;
    if (fault.value != 0) {
      std::cout << ", value " << fixed(fault.value, 3);
    }
    if (fault.end_ns) {
      std::cout << ", until " << fixed(static_cast<double>(*fault.end_ns) * 1e-9, 4) << " s";
    }
    std::cout << ", " << fixed(cw::sim::position_at(run.simulation.truth, fault.t_ns).rpm, 0) << " rpm\n";
  }
}

void print_verdict(const Verdict& verdict) {
  for (const FaultVerdict& fault : verdict.faults) {
    std::cout << "  " << fault.label << ": "
              << (!fault.cannot_tell.empty()     ? "not counted, " + fault.cannot_tell
                  : fault.named && fault.located ? std::string("named and located")
                  : fault.named                  ? "named, not located: " + fault.words
                                                 : "NOT NAMED: " + fault.words)
              << "\n";
  }
  for (const FalseLock& lock : verdict.false_locks) {
    std::cout << "  FALSE LOCK " << lock.words << (lock.reversal ? ", at a reversal" : "") << "\n";
  }
  for (const std::string& line : verdict.false_alarms) {
    std::cout << "  FALSE ALARM " << line << "\n";
  }
  const std::string failure = failure_of(verdict);
  std::cout << "  " << (failure.empty() ? "nothing wrong" : failure) << "\n";
}

void print_said(const Observed& observed) {
  std::cout << "\nLock states:\n";
  for (const cw::StateChange& change : observed.changes) {
    std::cout << "  " << padded(fixed(static_cast<double>(change.session_ns) * 1e-9, 4) + " s", 12)
              << to_string(change.from) << " -> " << to_string(change.to) << " (source "
              << fixed(static_cast<double>(change.source_ns) * 1e-9, 4) << " s)\n";
  }
  std::cout << "\nFindings:\n";
  for (const cw::Finding& finding : observed.findings) {
    std::cout << "  " << in_words(finding) << "\n";
  }
}

void print_run(const Run& run) {
  const cw::sim::Scenario& scenario = run.drawn.scenario;
  std::cout << "Seed " << run.drawn.seed << "\n\nEngine:\n"
            << run.drawn.engine_toml << "\nRun: " << run.drawn.run_words << ", " << fixed(run.verdict.engine_s, 2)
            << " s; jitter " << fixed(scenario.crank.noise.jitter_ns, 0) << " ns, tick " << scenario.tick_ns
            << " ns, pitch errors " << fixed(scenario.crank.pitch_error_sd_deg, 3) << " deg\n";
  double t_s = 0;
  for (const cw::sim::Phase& phase : scenario.phases) {
    const double from_s = t_s;
    t_s += phase.duration_s;
    std::cout << "  " << padded(fixed(from_s, 3) + " s", 12) << "phase kind " << static_cast<int>(phase.kind) << ", "
              << fixed(phase.rpm, 0) << " to " << fixed(phase.rpm_end, 0) << " rpm\n";
  }
  std::cout << "\nInjected:\n";
  print_truth(run);
  print_said(run.observed);
  std::cout << "\nVerdict:\n";
  print_verdict(run.verdict);
}

void print_run(const MismatchRun& run) {
  const std::string failure = failure_of(run.verdict);
  std::cout << "Seed " << run.verdict.seed << ", " << to_string(run.verdict.kind) << "\n\nThe engine:\n"
            << run.mismatch.drawn.engine_toml << "\nThe file given instead:\n"
            << run.mismatch.file_toml << "\nRun: " << run.mismatch.drawn.run_words << ", "
            << fixed(run.simulation.truth.end_s, 2) << " s\n";
  print_said(run.observed);
  std::cout << "\nVerdict:\n  " << (run.verdict.recognised() ? run.verdict.said + " after " : "not recognised")
            << (run.verdict.recognised() ? fixed(run.verdict.after_cycles, 1) + " cycles" : "") << "\n  "
            << (failure.empty() ? "nothing wrong" : failure) << "\n";
}

void print_run(const TwoSidedRun& run) {
  const std::string failure = failure_of(run.verdict);
  const Case& drawn = run.two_sided.drawn;
  const cw::sim::EcuCounter counter = drawn.scenario.ecu.counter.value_or(cw::sim::EcuCounter{});
  const cw::sim::EcuBroadcast can = drawn.scenario.ecu.can.value_or(cw::sim::EcuBroadcast{});
  std::cout << "Seed " << run.verdict.seed << ", " << to_string(run.verdict.situation) << "\n\nEngine:\n"
            << drawn.engine_toml << "\nRun: " << drawn.run_words << ", " << fixed(run.simulation.truth.end_s, 2)
            << " s\nECU: " << run.two_sided.layout << ", good turns " << counter.good_turns << ", cam edges "
            << counter.cam_edges << ", tolerates " << counter.tolerate_teeth << ", speed over "
            << fixed(counter.speed_over_deg, 0) << " deg and " << fixed(counter.speed_filter_ms, 0)
            << " ms, periods times " << fixed(can.period_scale, 2) << ", latency " << fixed(can.latency_ms, 1) << " to "
            << fixed(can.latency_ms + can.latency_jitter_ms, 1) << " ms\n\nInjected:\n";
  for (const cw::sim::TruthFault& fault : run.simulation.truth.faults) {
    std::cout << "  " << padded(fixed(static_cast<double>(fault.t_ns) * 1e-9, 4) + " s", 12) << fault.kind << ", "
              << to_string(fault.seen_by) << ", value " << fixed(fault.value, 3) << ", "
              << fixed(cw::sim::position_at(run.simulation.truth, fault.t_ns).rpm, 0) << " rpm\n";
  }
  std::cout << "\nWhat the ECU knew:\n";
  for (const cw::sim::EcuMoment& moment : run.simulation.truth.ecu) {
    std::cout << "  " << padded(fixed(static_cast<double>(moment.t_ns) * 1e-9, 4) + " s", 12)
              << padded(std::string(to_string(moment.state)), 12) << "losses " << moment.losses << ", "
              << fixed(cw::sim::position_at(run.simulation.truth, moment.t_ns).rpm, 0) << " rpm " << moment.reason
              << "\n";
  }
  print_said(run.observed);
  std::cout << "\nVerdict:\n";
  for (const TwoSidedWanted& wanted : run.verdict.wanted) {
    std::cout << "  " << wanted.label << ": " << (wanted.blamed ? "right, " : "WRONG, ") << wanted.found << "\n";
  }
  std::cout << "  " << (failure.empty() ? "nothing wrong" : failure) << "\n";
}

std::optional<std::string> write_case(const std::string& engine_toml, const cw::sim::Simulation& simulation,
                                      const cw::sim::Scenario& scenario, const std::string& dir) {
  std::error_code error;
  std::filesystem::create_directories(dir, error);
  std::ofstream engine(dir + "/engine.toml");
  engine << engine_toml;
  engine.close();
  if (error || !engine) {
    return dir + ": expected a folder that can be written to";
  }
  if (auto problem = cw::sim::write_edges_csv(simulation, dir + "/edges.csv")) {
    return problem;
  }
  return cw::sim::write_truth_json(simulation, scenario, dir + "/truth.json");
}

// The engine file with the map of its ECU's broadcast, by its path in this source tree.
std::string with_map(const TwoSidedRun& run) {
  const std::string file = run.two_sided.layout == "eec1" ? "j1939-eec1" : run.two_sided.layout;
  return run.two_sided.drawn.engine_toml + "\n[[can]]\nmap = \"" + CRANKWITNESS_SOURCE_DIR "/config/can/" + file +
         ".toml\"   # its cam is the first of this file\n";
}

// The verdict of each seed of the range, on so many threads.
template <class Judged>
std::vector<Judged> run_all(const SeedRange& range, int jobs, Judged (*judge_seed)(std::uint64_t)) {
  const std::size_t count = range.to - range.from + 1;
  std::vector<Judged> verdicts(count);
  std::atomic<std::size_t> next = 0;
  std::vector<std::jthread> workers;
  workers.reserve(static_cast<std::size_t>(jobs));
  for (int i = 0; i < jobs; ++i) {
    workers.emplace_back([&] {
      for (std::size_t at = next++; at < count; at = next++) {
        verdicts[at] = judge_seed(range.from + at);
      }
    });
  }
  workers.clear();  // joins
  return verdicts;
}

int run_one(const Options& options) {
  const Run run = run_seed(*options.seed);
  if (options.verbose) {
    print_run(run);
  } else {
    print_report(std::span(&run.verdict, 1), std::cout);
  }
  if (!options.write_dir.empty() && run.drawn.problem.empty()) {
    const auto problem = write_case(run.drawn.engine_toml, run.simulation, run.drawn.scenario, options.write_dir);
    if (problem) {
      std::cerr << *problem << "\n";
      return 2;
    }
  }
  return failure_of(run.verdict).empty() ? 0 : 1;
}

int run_one_mismatch(const Options& options) {
  const MismatchRun run = run_mismatch(*options.seed);
  if (options.verbose) {
    print_run(run);
  } else {
    print_report(std::span(&run.verdict, 1), std::cout);
  }
  const Case& drawn = run.mismatch.drawn;
  if (!options.write_dir.empty() && drawn.problem.empty()) {
    const auto problem = write_case(run.mismatch.file_toml, run.simulation, drawn.scenario, options.write_dir);
    if (problem) {
      std::cerr << *problem << "\n";
      return 2;
    }
  }
  return failure_of(run.verdict).empty() ? 0 : 1;
}

int run_one_two_sided(const Options& options) {
  const TwoSidedRun run = run_two_sided(*options.seed);
  if (options.verbose) {
    print_run(run);
  } else {
    print_report(std::span(&run.verdict, 1), std::cout);
  }
  const Case& drawn = run.two_sided.drawn;
  if (!options.write_dir.empty() && drawn.problem.empty()) {
    auto problem = write_case(with_map(run), run.simulation, drawn.scenario, options.write_dir);
    if (!problem && drawn.scenario.ecu.can) {
      problem = cw::sim::write_can_log(run.simulation, *drawn.scenario.ecu.can, options.write_dir + "/can.log");
    }
    if (problem) {
      std::cerr << *problem << "\n";
      return 2;
    }
  }
  return failure_of(run.verdict).empty() ? 0 : 1;
}

int run_one_learn(const Options& options) {
  const LearnRun run = run_learn(*options.seed);
  const LearnVerdict verdict = judge_learn(run);
  if (options.verbose) {
    std::cout << "Seed " << verdict.seed << "\n\nThe engine:\n"
              << run.drawn.engine_toml << "\nRun: " << run.drawn.run_words << "\n\nThe file proposed:\n"
              << run.toml << "\nVerdict:\n";
  }
  print_report(std::span(&verdict, 1), std::cout);
  if (!options.write_dir.empty() && run.drawn.problem.empty()) {
    const auto problem = write_case(run.drawn.engine_toml, run.simulation, run.drawn.scenario, options.write_dir);
    if (problem) {
      std::cerr << *problem << "\n";
      return 2;
    }
  }
  return failure_of(verdict).empty() ? 0 : 1;
}

// Prints the report and what was missed; the exit code.
template <class Judged>
int conclude(const std::vector<Judged>& verdicts, bool by_floors) {
  print_report(verdicts, std::cout);
  const std::vector<std::string> missed = missed_targets(verdicts, targets);
  std::cout << "\n" << (missed.empty() ? "All targets met.\n" : "Targets missed:\n");
  for (const std::string& line : missed) {
    std::cout << "  " << line << "\n";
  }
  if (!by_floors) {
    return missed.empty() ? 0 : 1;
  }
  const std::vector<std::string> below = missed_targets(verdicts, floors);
  std::cout << (below.empty() ? "All within the floors.\n" : "Below the floors:\n");
  for (const std::string& line : below) {
    std::cout << "  " << line << "\n";
  }
  return below.empty() ? 0 : 1;
}

int run_many(const Options& options) {
  const auto range = parse_range(options.seeds);
  if (!range) {
    std::cerr << "--seeds: expected FROM..TO, for example 1..500, found \"" << options.seeds << "\"\n";
    return 2;
  }
  if (options.mismatch) {
    return conclude(
        run_all<MismatchVerdict>(*range, options.jobs, [](std::uint64_t seed) { return run_mismatch(seed).verdict; }),
        options.floors);
  }
  if (options.two_sided) {
    return conclude(
        run_all<TwoSidedVerdict>(*range, options.jobs, [](std::uint64_t seed) { return run_two_sided(seed).verdict; }),
        options.floors);
  }
  if (options.tdc) {
    return conclude(run_all<TdcVerdict>(*range, options.jobs, run_tdc), options.floors);
  }
  if (options.learning) {
    return conclude(
        run_all<LearnVerdict>(*range, options.jobs, [](std::uint64_t seed) { return judge_learn(run_learn(seed)); }),
        options.floors);
  }
  return conclude(run_all<Verdict>(*range, options.jobs, [](std::uint64_t seed) { return run_seed(seed).verdict; }),
                  options.floors);
}

int run(int argc, char** argv) {
  Options options;
  CLI::App app{
      "Random simulated runs by seed through the whole pipeline, judged against the truth.\n"
      "Seeds 1 to 100000 are for tuning, 1000000 and up for judging: never tune on those.\n"
      "Exit code: 0 all targets met (with --floors: nothing below the floors), 1 not, 2 wrong use."};
  app.add_flag("--floors", options.floors, "fail only below the floors of the gate; targets missed are told");
  app.add_option("--seeds", options.seeds, "range of seeds, FROM..TO")->capture_default_str();
  app.add_option("--seed", options.seed, "one seed only; with --verbose everything about it");
  app.add_flag("--mismatch", options.mismatch, "runs with an engine file that is not the engine's");
  app.add_flag("--two-sided", options.two_sided, "runs with an ECU beside the witness, faults on either side");
  app.add_flag("--learn", options.learning, "engine files learned from 10 s of raw edges");
  app.add_flag("--tdc", options.tdc, "top dead centre from the run-down");
  app.add_flag("--verbose", options.verbose, "engine, run, faults, findings and verdict of the one seed");
  app.add_option("--jobs", options.jobs, "threads")->check(CLI::Range(1, 64))->capture_default_str();
  app.add_option("--write", options.write_dir,
                 "folder for engine.toml, edges.csv, truth.json (and can.log) of the one seed");
  CLI11_PARSE(app, argc, argv);
  if (options.mismatch && options.two_sided) {
    std::cerr << "--two-sided: expected without --mismatch\n";
    return 2;
  }
  if (!options.seed && (options.verbose || !options.write_dir.empty())) {
    std::cerr << "--verbose and --write: expected --seed N with them\n";
    return 2;
  }
  if (!options.seed) {
    return run_many(options);
  }
  if (options.two_sided) {
    return run_one_two_sided(options);
  }
  if (options.tdc) {
    const TdcVerdict verdict = run_tdc(*options.seed);
    print_report(std::span(&verdict, 1), std::cout);
    std::cout << "  " << verdict.told.why_not << "\n";
    return failure_of(verdict).empty() ? 0 : 1;
  }
  if (options.learning) {
    return run_one_learn(options);
  }
  return options.mismatch ? run_one_mismatch(options) : run_one(options);
}

}  // namespace

int main(int argc, char** argv) {
  try {
    return run(argc, argv);
  } catch (const std::exception& error) {
    std::cerr << error.what() << "\n";
    return 2;
  }
}
