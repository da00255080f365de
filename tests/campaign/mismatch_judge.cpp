#include <algorithm>
#include <array>
#include <map>
#include <ostream>

#include "campaign/mismatch.hpp"
#include "campaign/tables.hpp"
#include "campaign/tally.hpp"
#include "campaign/text.hpp"
#include "campaign/truth_view.hpp"

namespace cw::campaign {

namespace {

// By name: these kinds and no others say that file and engine do not belong together.
bool says_so(const Finding& finding) {
  const std::string_view kind = to_string(finding.kind);
  return finding.phase != FindingPhase::close && (kind == "wrong-engine-file" || kind == "wrong-edge-or-polarity");
}

bool claims(MismatchKind kind, LockState state) {
  return kind == MismatchKind::cam_pattern ? state == LockState::cycle_locked : is_lock(state);
}

struct Row {
  std::size_t runs = 0;
  std::size_t good = 0;
  std::size_t recognised = 0;
  std::size_t claimed = 0;
  std::vector<double> after_s;
  std::vector<double> after_cycles;
  std::map<std::string, std::size_t> said;
};

void add(const MismatchVerdict& verdict, Row& row) {
  ++row.runs;
  row.good += verdict.good() ? 1 : 0;
  row.recognised += verdict.recognised() ? 1 : 0;
  row.claimed += verdict.claimed ? 1 : 0;
  if (verdict.recognised()) {
    row.after_s.push_back(verdict.after_s);
    row.after_cycles.push_back(verdict.after_cycles);
    ++row.said[verdict.said];
  }
}

void print_row(const std::string& name, const Row& row, std::ostream& out) {
  const QuantileBounds p95 = quantile_bounds(row.after_cycles, 0.95);
  out << "  " << padded(name, 20) << padded(share_cell(row.good, row.runs), 28)
      << padded(share_cell(row.recognised, row.runs), 28) << padded(share_cell(row.claimed, row.runs), 26)
      << padded(fixed(quantile(row.after_s, 0.5), 2) + " s, " + fixed(quantile(row.after_s, 0.95), 2) + " s", 18)
      << fixed(quantile(row.after_cycles, 0.5), 1) << ", " << fixed(p95.value, 1) << " (" << fixed(p95.low, 1) << "-"
      << fixed(p95.high, 1) << ")";
  for (const auto& [said, count] : row.said) {
    out << "  " << said << " " << count;
  }
  out << "\n";
}

}  // namespace

std::string_view to_string(MismatchKind kind) {
  constexpr std::array<std::string_view, mismatch_kinds> names = {
      "tooth count",        "number missing", "one or several gaps", "even or gap",
      "cam or crank shaft", "cam pattern",    "channels swapped",    "reluctor backwards"};
  return names.at(static_cast<std::size_t>(kind));
}

MismatchVerdict judge_mismatch(const MismatchCase& drawn, const sim::Simulation& simulation, const Observed& observed) {
  MismatchVerdict verdict;
  verdict.seed = drawn.drawn.seed;
  verdict.kind = drawn.kind;
  verdict.claimed = std::any_of(observed.changes.begin(), observed.changes.end(),
                                [&](const StateChange& change) { return claims(drawn.kind, change.to); }) ||
                    std::any_of(observed.cycles.begin(), observed.cycles.end(),
                                [&](const Cycle& cycle) { return claims(drawn.kind, cycle.state); });
  const auto told = std::find_if(observed.findings.begin(), observed.findings.end(), says_so);
  if (told == observed.findings.end() || simulation.edges.empty()) {
    return verdict;
  }
  verdict.said = to_string(told->kind);
  // The moment of the item that decided it; the stream's first item stands at time 0.
  const std::int64_t first_ns = simulation.edges.front().t_ns;
  verdict.after_s = static_cast<double>(told->session_ns - first_ns) * 1e-9;
  verdict.after_cycles = (turned_deg(simulation.truth, told->session_ns) - turned_deg(simulation.truth, first_ns)) /
                         simulation.truth.cycle_deg;
  return verdict;
}

std::string failure_of(const MismatchVerdict& verdict) {
  if (!verdict.problem.empty()) {
    return "could not be run: " + verdict.problem;
  }
  std::string text = verdict.claimed ? "A POSITION WAS CLAIMED" : "";
  if (!verdict.recognised()) {
    text += std::string(text.empty() ? "" : ", ") + "not recognised";
  }
  return text;
}

std::vector<std::string> missed_targets(std::span<const MismatchVerdict> verdicts, const Demands& demands) {
  std::vector<std::string> missed;
  const auto good = static_cast<std::size_t>(
      std::count_if(verdicts.begin(), verdicts.end(), [](const MismatchVerdict& verdict) { return verdict.good(); }));
  if (static_cast<double>(good) < demands.recognised_least * static_cast<double>(verdicts.size())) {
    missed.push_back("recognised with no position claimed: " + share_cell(good, verdicts.size()) + "; at least " +
                     percent(demands.recognised_least, 0) + " wanted");
  }
  const auto problems = std::count_if(verdicts.begin(), verdicts.end(),
                                      [](const MismatchVerdict& verdict) { return !verdict.problem.empty(); });
  if (problems > 0) {
    missed.push_back(std::to_string(problems) + " cases could not be run");
  }
  return missed;
}

void print_report(std::span<const MismatchVerdict> verdicts, std::ostream& out) {
  std::array<Row, mismatch_kinds> rows;
  Row all;
  for (const MismatchVerdict& verdict : verdicts) {
    if (verdict.problem.empty()) {
      add(verdict, rows.at(static_cast<std::size_t>(verdict.kind)));
      add(verdict, all);
    }
  }
  out << all.runs << " runs with an engine file that is not the engine's; shares with 95 % bounds\n\n  "
      << padded("what is wrong", 20) << padded("recognised, none claimed", 28) << padded("recognised", 28)
      << padded("position claimed", 26) << padded("after p50, p95", 18) << "in cycles p50, p95 (95 %)  as\n";
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (rows.at(i).runs > 0) {
      print_row(std::string(to_string(static_cast<MismatchKind>(i))), rows.at(i), out);
    }
  }
  print_row("all", all, out);
  print_failing_seeds(
      verdicts, " --mismatch", [](const MismatchVerdict& verdict) { return to_string(verdict.kind); }, out);
}

}  // namespace cw::campaign
