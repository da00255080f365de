#include "campaign/tally.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <ostream>
#include <set>

#include "campaign/tables.hpp"
#include "campaign/text.hpp"

namespace cw::campaign {

namespace {

constexpr double tdc_running_most_deg = 0.05;
constexpr double tdc_cranking_most_deg = 0.5;

struct FaultCount {
  std::size_t judged = 0;
  std::size_t named = 0;
  std::size_t located = 0;
  std::size_t attributed = 0;
  std::size_t not_to_tell = 0;
};

struct Totals {
  std::size_t runs = 0;
  std::size_t clean = 0;
  std::size_t clean_alarmed = 0;
  std::size_t clean_never_locked = 0;
  std::size_t problems = 0;
  std::size_t runs_false_lock = 0;
  std::size_t runs_full_false = 0;      // ... of these with a cycle-lock that was false
  std::size_t runs_reversal_false = 0;  // ... of these only around a reversal
  std::size_t alarms = 0;
  double engine_s = 0;
  double clean_s = 0;
  std::size_t cycles = 0;
  std::size_t cycles_true = 0;
  FaultCount faults;
  std::map<std::string, FaultCount> by_label;
  std::map<std::string, std::size_t> alarm_kinds;
  std::vector<double> to_lock;
};

void add_fault(const FaultVerdict& fault, Totals& totals) {
  FaultCount& count = totals.by_label[fault.label];
  if (!fault.cannot_tell.empty()) {
    ++count.not_to_tell;
    ++totals.faults.not_to_tell;
    return;
  }
  for (FaultCount* each : {&count, &totals.faults}) {
    ++each->judged;
    each->named += fault.named ? 1 : 0;
    each->located += fault.named && fault.located ? 1 : 0;
    each->attributed += fault.attributed ? 1 : 0;
  }
}

Totals totals_of(std::span<const Verdict> verdicts) {
  Totals totals;
  for (const Verdict& verdict : verdicts) {
    ++totals.runs;
    totals.problems += verdict.problem.empty() ? 0 : 1;
    totals.runs_false_lock += verdict.false_locks.empty() ? 0 : 1;
    const auto& locks = verdict.false_locks;
    totals.runs_full_false +=
        std::any_of(locks.begin(), locks.end(), [](const FalseLock& lock) { return lock.full; }) ? 1 : 0;
    totals.runs_reversal_false +=
        !locks.empty() && std::all_of(locks.begin(), locks.end(), [](const FalseLock& lock) { return lock.reversal; })
            ? 1
            : 0;
    totals.alarms += verdict.false_alarms.size();
    totals.engine_s += verdict.engine_s;
    totals.cycles += verdict.cycles;
    totals.cycles_true += verdict.cycles_true;
    for (const std::string& kind : verdict.false_alarm_kinds) {
      ++totals.alarm_kinds[kind];
    }
    for (const FaultVerdict& fault : verdict.faults) {
      add_fault(fault, totals);
    }
    if (verdict.clean && verdict.problem.empty()) {
      ++totals.clean;
      totals.clean_s += verdict.engine_s;
      totals.clean_alarmed += verdict.false_alarms.empty() ? 0 : 1;
      totals.clean_never_locked += verdict.never_locked ? 1 : 0;
      if (verdict.cycles_to_lock) {
        totals.to_lock.push_back(*verdict.cycles_to_lock);
      }
    }
  }
  return totals;
}

std::string bounded(std::size_t hits, std::size_t n) {
  if (n == 0) {
    return "none judged";
  }
  const Share share = share_of(hits, n);
  return std::to_string(hits) + " of " + std::to_string(n) + " = " + percent(share.value) +
         " (95 %: " + percent(share.low) + " to " + percent(share.high) + ")";
}

struct TdcColumn {
  std::vector<double> absolute;
  std::vector<double> beyond;  // error less the floor, not below 0
  std::vector<double> floor;
  std::size_t covered = 0;
};

std::vector<TdcColumn> tdc_columns(std::span<const Verdict> verdicts) {
  std::vector<TdcColumn> columns(tdc_classes);
  for (const Verdict& verdict : verdicts) {
    for (const TdcReading& reading : verdict.tdc) {
      TdcColumn& column = columns[static_cast<std::size_t>(reading.where)];
      column.absolute.push_back(std::fabs(reading.error_deg));
      column.beyond.push_back(std::max(0.0, std::fabs(reading.error_deg) - reading.floor_deg));
      column.floor.push_back(reading.floor_deg);
      column.covered += std::fabs(reading.error_deg) <= reading.stated_deg ? 1 : 0;
    }
  }
  return columns;
}

void print_faults(const Totals& totals, std::ostream& out) {
  out << "\nFaults that can be told:\n";
  for (const auto& [label, count] : totals.by_label) {
    if (count.judged > 0) {
      out << "  " << padded(label, 26) << right(std::to_string(count.judged), 5) << "  named "
          << right(std::to_string(count.named), 4) << "  located " << right(std::to_string(count.located), 4)
          << "  attributed " << right(std::to_string(count.attributed), 4) << "\n";
    }
  }
  for (const auto& [label, count] : totals.by_label) {
    if (count.not_to_tell > 0) {
      out << "  " << padded(label, 26) << right(std::to_string(count.not_to_tell), 5)
          << "  that no observer can tell\n";
    }
  }
}

void print_tdc(std::span<const Verdict> verdicts, std::ostream& out) {
  out << "\nTDC error, degrees        cycles      p50      p95      max | floor p50 | beyond floor p95      max | "
         "stated "
         "interval covers\n";
  const std::vector<TdcColumn> columns = tdc_columns(verdicts);
  for (std::size_t i = 0; i < columns.size(); ++i) {
    const TdcColumn& column = columns[i];
    const std::size_t n = column.absolute.size();
    if (n == 0) {
      continue;
    }
    out << "  " << padded(std::string(to_string(static_cast<TdcClass>(i))), 32) << right(std::to_string(n), 8)
        << right(fixed(quantile(column.absolute, 0.5), 4), 9) << right(fixed(quantile(column.absolute, 0.95), 4), 9)
        << right(fixed(quantile(column.absolute, 1), 4), 9) << " | " << right(fixed(quantile(column.floor, 0.5), 4), 9)
        << " | " << right(fixed(quantile(column.beyond, 0.95), 4), 16) << right(fixed(quantile(column.beyond, 1), 4), 9)
        << " | " << percent(static_cast<double>(column.covered) / static_cast<double>(n), 1) << "\n";
  }
}

void print_failures(std::span<const Verdict> verdicts, std::ostream& out) {
  constexpr std::size_t listed_max = 200;
  std::size_t failing = 0;
  for (const Verdict& verdict : verdicts) {
    const std::string failure = failure_of(verdict);
    if (failure.empty()) {
      continue;
    }
    if (failing == 0) {
      out << "\nFailing seeds, each with the command that reruns it:\n";
    }
    ++failing;
    if (failing <= listed_max || !verdict.false_locks.empty()) {
      out << "  crankwitness-campaign --seed " << verdict.seed << " --verbose   # " << failure << "\n";
    }
  }
  if (failing > listed_max) {
    out << "  ... and " << failing - listed_max << " more\n";
  }
}

}  // namespace

Share share_of(std::size_t hits, std::size_t n) {
  Share share;
  if (n == 0) {
    return share;
  }
  const auto count = static_cast<double>(n);
  share.value = static_cast<double>(hits) / count;
  if (hits == 0 || hits == n) {
    const double bound = std::min(1.0, 3.0 / count);
    share.low = hits == 0 ? 0.0 : 1.0 - bound;
    share.high = hits == 0 ? bound : 1.0;
    return share;
  }
  constexpr double z = 1.959964;
  const double z2 = z * z;
  const double middle = (share.value + z2 / (2 * count)) / (1 + z2 / count);
  const double half =
      z / (1 + z2 / count) * std::sqrt(share.value * (1 - share.value) / count + z2 / (4 * count * count));
  share.low = middle - half;
  share.high = middle + half;
  return share;
}

std::string share_cell(std::size_t hits, std::size_t n) {
  const Share share = share_of(hits, n);
  return std::to_string(hits) + "/" + std::to_string(n) + " (" + fixed(100 * share.low, 1) + "-" +
         fixed(100 * share.high, 1) + " %)";
}

double quantile(std::vector<double> values, double share) {
  if (values.empty()) {
    return 0;
  }
  const double rank = std::ceil(share * static_cast<double>(values.size())) - 1;
  const auto index = static_cast<std::ptrdiff_t>(std::clamp(rank, 0.0, static_cast<double>(values.size() - 1)));
  std::nth_element(values.begin(), values.begin() + index, values.end());
  return values[static_cast<std::size_t>(index)];
}

std::vector<std::string> missed_targets(std::span<const Verdict> verdicts, const Demands& demands) {
  const Totals totals = totals_of(verdicts);
  std::vector<std::string> missed;
  if (totals.problems > 0) {
    missed.push_back(std::to_string(totals.problems) + " cases could not be run");
  }
  if (totals.runs_false_lock > 0) {
    missed.push_back("false locks in " + std::to_string(totals.runs_false_lock) + " runs; none allowed");
  }
  const double located = static_cast<double>(totals.faults.located);
  if (located < demands.located_least * static_cast<double>(totals.faults.judged)) {
    missed.push_back("faults named and located: " + bounded(totals.faults.located, totals.faults.judged) +
                     "; at least " + percent(demands.located_least, 0) + " wanted");
  }
  if (static_cast<double>(totals.clean_alarmed) > demands.clean_alarms_most * static_cast<double>(totals.clean)) {
    missed.push_back("clean runs with a false alarm: " + bounded(totals.clean_alarmed, totals.clean) + "; at most " +
                     percent(demands.clean_alarms_most, 0) + " wanted");
  }
  const std::vector<TdcColumn> columns = tdc_columns(verdicts);
  const double running = quantile(columns[static_cast<std::size_t>(TdcClass::running)].beyond, 0.95);
  if (running > tdc_running_most_deg) {
    missed.push_back("TDC running: p95 " + fixed(running, 3) + " degrees beyond the floor; at most " +
                     fixed(tdc_running_most_deg, 2) + " wanted");
  }
  const double cranking = quantile(columns[static_cast<std::size_t>(TdcClass::cranking)].absolute, 0.95);
  if (cranking > tdc_cranking_most_deg) {
    missed.push_back("TDC cranking: p95 " + fixed(cranking, 3) + " degrees; at most " +
                     fixed(tdc_cranking_most_deg, 1) + " wanted");
  }
  if (totals.cycles == 0 && totals.runs > 0) {
    missed.emplace_back("no cycle was reported while locked");
  }
  return missed;
}

std::string failure_of(const Verdict& verdict) {
  std::string text;
  const auto add = [&](const std::string& part) { text += (text.empty() ? "" : ", ") + part; };
  if (!verdict.problem.empty()) {
    add("could not be run: " + verdict.problem);
  }
  if (!verdict.false_locks.empty()) {
    add("FALSE LOCK x" + std::to_string(verdict.false_locks.size()));
  }
  for (const FaultVerdict& fault : verdict.faults) {
    if (fault.cannot_tell.empty() && !fault.named) {
      add(fault.label + " told as " + fault.found);
    } else if (fault.cannot_tell.empty() && !fault.located) {
      add(fault.label + " wrong place");
    }
  }
  std::map<std::string, int> kinds;
  for (const std::string& kind : verdict.false_alarm_kinds) {
    ++kinds[kind];
  }
  for (const auto& [kind, number] : kinds) {
    add("false " + kind + (number > 1 ? " x" + std::to_string(number) : ""));
  }
  if (verdict.never_locked) {
    add("never locked");
  }
  return text;
}

void print_report(std::span<const Verdict> verdicts, std::ostream& out) {
  const Totals totals = totals_of(verdicts);
  out << totals.runs << " runs, " << fixed(totals.engine_s / 3600, 2) << " hours of engine time, " << totals.cycles
      << " cycles reported while locked, of " << totals.cycles_true << "; " << totals.clean << " runs without a fault ("
      << fixed(totals.clean_s / 3600, 2) << " h)\n";
  out << "False locks:       " << bounded(totals.runs_false_lock, totals.runs) << " of runs\n";
  out << "  of these " << totals.runs_full_false
      << " claimed cycle-locked, the others revolution-locked (modulo a turn); " << totals.runs_reversal_false
      << " only where the crank turned backwards or just had\n";
  out << "Faults named:      " << bounded(totals.faults.named, totals.faults.judged) << "\n";
  out << "... and located:   " << bounded(totals.faults.located, totals.faults.judged) << "\n";
  out << "Named, and rightly attributed (no target): " << bounded(totals.faults.attributed, totals.faults.judged)
      << "\n";
  out << "Not to be told by any observer, not counted: " << totals.faults.not_to_tell << "\n";
  out << "Clean runs with a false alarm: " << bounded(totals.clean_alarmed, totals.clean)
      << "; false alarms in all runs: " << totals.alarms << "\n";
  for (const auto& [kind, number] : totals.alarm_kinds) {
    out << "  " << padded(kind, 26) << right(std::to_string(number), 5) << "\n";
  }
  print_faults(totals, out);
  print_confusion(verdicts, out);
  print_by_wheel(verdicts, out);
  print_tdc(verdicts, out);
  out << "\nCycles from first usable gap and cam edge to lock, clean runs: p50 "
      << fixed(quantile(totals.to_lock, 0.5), 2) << ", p95 " << fixed(quantile(totals.to_lock, 0.95), 2) << ", most "
      << fixed(quantile(totals.to_lock, 1), 2) << " (" << totals.to_lock.size()
      << " runs); never locked: " << totals.clean_never_locked << "\n";
  print_failures(verdicts, out);
}

}  // namespace cw::campaign
