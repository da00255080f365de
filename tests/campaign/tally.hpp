// Verdicts of many runs put together, and the table that is printed.
#pragma once

#include <cstddef>
#include <cstdint>
#include <ostream>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "campaign/judge.hpp"

namespace cw::campaign {

// 95 % interval of a share: `hits` of `n`. For none of n the upper bound is 3/n (and for all of n the lower 1 - 3/n),
// else Wilson's score interval, E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209.
struct Share {
  double value = 0;
  double low = 0;
  double high = 1;
};
Share share_of(std::size_t hits, std::size_t n);
// As a cell of a table: "hits/n (low-high %)".
std::string share_cell(std::size_t hits, std::size_t n);

// The value below which `share` of the sorted values lie, nearest rank; 0 for none.
double quantile(std::vector<double> values, double share);

// What is asked of many runs beside no false lock and the TDC error: targets, or the floors below which the gate fails.
struct Demands {
  double located_least = 0.97;     // faults named and located
  double clean_alarms_most = 0;    // share of the clean runs with a false alarm
  double recognised_least = 0.98;  // of wrong engine files, with no position claimed
  double two_sided_least = 0.98;   // of runs beside an ECU, with all that is said of it right
  double learned_least = 0.98;     // engine files learned from 10 s, right
  double tdc_least = 0.95;         // TDC told from a run-down: within 4 degrees, and within its interval
};
inline constexpr Demands targets;
// What chance does to 500 and 200 runs at the rates reached lies above these; a decoder that got worse does not.
inline constexpr Demands floors = {0.94, 0.04, 0.95, 0.95, 0.90, 0.90};

// What must hold; each line that does not is told. Empty = all met.
std::vector<std::string> missed_targets(std::span<const Verdict> verdicts, const Demands& demands = targets);

void print_report(std::span<const Verdict> verdicts, std::ostream& out);

// Whether this run is in the list of failing seeds, and why, in a few words; empty = nothing wrong.
std::string failure_of(const Verdict& verdict);

// The first 200 verdicts that failed, each with the command that reruns it, why, and what kind of run it was.
// `option`: of the command, with a blank before it, or nothing. `kind`: of a verdict, in words.
template <class Judged, class Words>
void print_failing_seeds(std::span<const Judged> verdicts, std::string_view option, Words kind, std::ostream& out) {
  constexpr std::size_t listed_max = 200;
  std::size_t failing = 0;
  for (const Judged& verdict : verdicts) {
    const std::string failure = failure_of(verdict);
    if (failure.empty() || ++failing > listed_max) {
      continue;
    }
    out << (failing == 1 ? "\nFailing seeds, each with the command that reruns it:\n" : "") << "  crankwitness-campaign"
        << option << " --seed " << verdict.seed << " --verbose   # " << kind(verdict) << ": " << failure << "\n";
  }
  if (failing > listed_max) {
    out << "  ... and " << failing - listed_max << " more\n";
  }
}

}  // namespace cw::campaign
