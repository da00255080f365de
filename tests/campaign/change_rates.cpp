// How often a change is found, how soon, and how often one is told where there is none. README.md of this folder.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <string>
#include <vector>

#include "tests/campaign/change_runs.hpp"

namespace {

using cw::Finding;
using cw::FindingKind;
using cw::FindingPhase;
using namespace cw::campaign;

// Findings that say that something has changed. Others (a deviation beyond its limit) are about what it is.
bool tells_change(const Finding& finding) {
  switch (finding.kind) {
    case FindingKind::tdc_step:
    case FindingKind::tdc_drift:
    case FindingKind::cam_step:
    case FindingKind::cam_drift:
    case FindingKind::crank_wheel_step:
    case FindingKind::crank_wheel_drift:
      return finding.phase != FindingPhase::close;
    default:
      return false;
  }
}

struct Row {
  const char* what;
  Changing changing;
  double step_deg;
  double drift_deg_per_min;
  FindingKind kind;
};

constexpr double deg_1 = 1;
constexpr double deg_2 = 2;
constexpr double deg_5 = 5;
constexpr double drift = 0.1;
const std::vector<Row>& rows() {
  static const std::vector<Row> all = {
      {"mark, step 1", Changing::mark, deg_1, 0, FindingKind::tdc_step},
      {"mark, step 2", Changing::mark, deg_2, 0, FindingKind::tdc_step},
      {"mark, step 5", Changing::mark, deg_5, 0, FindingKind::tdc_step},
      {"mark, 0.1/min", Changing::mark, 0, drift, FindingKind::tdc_drift},
      {"one cam, step 1", Changing::one_cam, deg_1, 0, FindingKind::cam_step},
      {"one cam, step 2", Changing::one_cam, deg_2, 0, FindingKind::cam_step},
      {"one cam, step 5", Changing::one_cam, deg_5, 0, FindingKind::cam_step},
      {"one cam, 0.1/min", Changing::one_cam, 0, drift, FindingKind::cam_drift},
      {"all cams, step 1", Changing::all_cams, deg_1, 0, FindingKind::crank_wheel_step},
      {"all cams, step 2", Changing::all_cams, deg_2, 0, FindingKind::crank_wheel_step},
      {"all cams, step 5", Changing::all_cams, deg_5, 0, FindingKind::crank_wheel_step},
      {"all cams, 0.1/min", Changing::all_cams, 0, drift, FindingKind::crank_wheel_drift},
  };
  return all;
}

double rank(std::vector<double> values, double share) {
  if (values.empty()) {
    return std::nan("");
  }
  std::sort(values.begin(), values.end());
  return values[static_cast<std::size_t>(share * static_cast<double>(values.size() - 1) + 0.5)];
}

// Returns how many findings of change there were.
int quiet_hours(double hours, std::uint64_t first_seed, bool verbose) {
  int found = 0;
  std::uint64_t cycles = 0;
  const auto runs = static_cast<std::uint64_t>(std::ceil(hours));
  for (std::uint64_t i = 0; i < runs; ++i) {
    ChangeRun run;
    run.seed = first_seed + i;
    const ChangeOutcome outcome = run_changes(run);
    cycles += outcome.cycles;
    for (const Finding& finding : outcome.findings) {
      if (!tells_change(finding)) {
        continue;
      }
      ++found;
      if (verbose) {
        std::printf("seed %llu: %s of %s at %.0f s, change %.2f; %s\n", static_cast<unsigned long long>(run.seed),
                    std::string(to_string(finding.kind)).c_str(), finding.channel.c_str(),
                    static_cast<double>(finding.end_ns) * 1e-9,
                    finding.values.size() > 2 ? finding.values[2].second : 0, outcome.drawn.c_str());
      }
    }
  }
  const auto h = static_cast<double>(runs);
  std::printf("quiet: %.0f hours, %.1f million cycles: %d false alarms", h, static_cast<double>(cycles) * 1e-6, found);
  if (found == 0) {
    std::printf(" (at 95 %% fewer than one in %.0f hours)", h / 3);
  }
  std::printf("\n");
  return found;
}

struct Tally {
  int found = 0;
  int named = 0;
  int other = 0;  // of other kinds, or before the change
  std::vector<double> delay_s;
  std::vector<double> begin_off_s;
  std::vector<double> size_off_deg;
};

void judge(const Row& row, const ChangeRun& run, const ChangeOutcome& outcome, Tally& tally) {
  const Finding* first = nullptr;
  for (const Finding& finding : outcome.findings) {
    if (!tells_change(finding)) {
      continue;
    }
    const bool right = finding.kind == row.kind && outcome.found_s.at(finding.id) > run.change.at_s;
    if (right && first == nullptr) {
      first = &finding;
    } else if (!right) {
      ++tally.other;
    }
  }
  tally.found += std::any_of(outcome.findings.begin(), outcome.findings.end(), tells_change) ? 1 : 0;
  if (first == nullptr) {
    return;
  }
  ++tally.named;
  tally.begin_off_s.push_back(static_cast<double>(first->start_ns) * 1e-9 - run.change.at_s);
  for (const auto& [name, value] : first->values) {
    const double sign = first->kind == FindingKind::crank_wheel_step && name == "step_deg" ? -1 : 1;
    if (name == "change_deg" || name == "step_deg") {
      tally.size_off_deg.push_back(std::fabs(sign * value - row.step_deg));
    }
  }
}

// Returns how many of the changes were not named rightly.
int known_changes(const Row& row, int trials, std::uint64_t first_seed, bool verbose) {
  Tally tally;
  for (int i = 0; i < trials; ++i) {
    ChangeRun run;
    run.seed = first_seed + static_cast<std::uint64_t>(i);
    run.warm_up_s = 600;
    run.change = {row.changing, row.step_deg, row.drift_deg_per_min, 1200.0 + i % 60};
    run.duration_s = run.change.at_s + (row.drift_deg_per_min > 0 ? 1800 : 300);
    const ChangeOutcome outcome = run_changes(run);
    const int named = tally.named;
    judge(row, run, outcome, tally);
    for (const Finding& finding : outcome.findings) {
      if (tells_change(finding) && finding.kind == row.kind) {
        tally.delay_s.push_back(outcome.found_s.at(finding.id) - run.change.at_s);
        break;
      }
    }
    if (verbose && tally.named == named) {
      std::string said;
      for (const Finding& finding : outcome.findings) {
        said += tells_change(finding) ? " " + std::string(to_string(finding.kind)) + "@" +
                                            std::to_string(outcome.found_s.at(finding.id) - run.change.at_s)
                                      : "";
      }
      std::printf("seed %llu, %s: said%s; %s\n", static_cast<unsigned long long>(run.seed), row.what, said.c_str(),
                  outcome.drawn.c_str());
    }
  }
  std::printf("| %-17s | %5d | %5.1f | %5.1f | %6d | %6.1f | %6.1f | %6.1f | %7.2f |\n", row.what, trials,
              100.0 * tally.found / trials, 100.0 * tally.named / trials, tally.other, rank(tally.delay_s, 0.5),
              rank(tally.delay_s, 0.95), rank(tally.begin_off_s, 0.5),
              row.step_deg > 0 ? rank(tally.size_off_deg, 0.95) : std::nan(""));
  return trials - tally.named;
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app("Rates of false and missed changes, cycle by cycle");
  double hours = 200;
  int trials = 50;
  std::uint64_t seed = 1'000'000;
  bool verbose = false;
  app.add_option("--hours", hours, "quiet running")->capture_default_str();
  app.add_option("--trials", trials, "of each known change")->capture_default_str();
  app.add_option("--seed", seed, "the first; below 1000000: for tuning")->capture_default_str();
  app.add_flag("--verbose", verbose, "tell what failed");
  CLI11_PARSE(app, argc, argv);
  const int false_alarms = quiet_hours(hours, seed, verbose);
  std::printf("| change, degrees   | runs  | found | named | others | delay50| delay95| begin50| size95  |\n");
  std::printf("|                   |       |   %%   |   %%   |        |   s    |   s    |   s    | off deg |\n");
  int missed = 0;
  for (const Row& row : rows()) {
    missed += known_changes(row, trials, seed, verbose);
  }
  constexpr double missed_share_most = 0.01;  // DESIGN 8: 99 % found and rightly named
  const bool good = false_alarms == 0 && missed <= missed_share_most * trials * static_cast<double>(rows().size());
  return good ? 0 : 1;
}
