#include "campaign/tables.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <ostream>
#include <set>

#include "campaign/tally.hpp"
#include "campaign/text.hpp"

namespace cw::campaign {

namespace {

constexpr double two_sided_95 = 1.96;

using Counts = std::map<std::string, std::size_t>;
using Matrix = std::map<std::string, Counts>;

// Row and column for "no fault" and "no finding"; sorted before all kinds.
const std::string nothing = "nothing";

Matrix matrix_of(std::span<const Verdict> verdicts) {
  Matrix matrix;
  for (const Verdict& verdict : verdicts) {
    if (!verdict.problem.empty()) {
      continue;
    }
    for (const std::string& kind : verdict.false_alarm_kinds) {
      ++matrix[nothing][kind];
    }
    if (verdict.clean && verdict.false_alarm_kinds.empty()) {
      ++matrix[nothing][nothing];
    }
    for (const FaultVerdict& fault : verdict.faults) {
      if (fault.cannot_tell.empty()) {
        ++matrix[fault.label][fault.found];
      }
    }
  }
  return matrix;
}

// Every column that occurs, "nothing" first.
std::vector<std::string> columns_of(const Matrix& matrix) {
  std::set<std::string> kinds;
  for (const auto& [label, counts] : matrix) {
    for (const auto& [kind, count] : counts) {
      kinds.insert(kind);
    }
  }
  std::vector<std::string> columns;
  if (kinds.erase(nothing) > 0) {
    columns.push_back(nothing);
  }
  columns.insert(columns.end(), kinds.begin(), kinds.end());
  return columns;
}

std::string letter_of(std::size_t column) {
  return column < 26 ? std::string(1, static_cast<char>('a' + column)) : "+";
}

// Letters instead of names: a kind a column would be wider than a terminal.
void print_letters(const std::vector<std::string>& columns, std::ostream& out) {
  std::string line = "  ";
  for (std::size_t i = 0; i < columns.size(); ++i) {
    const std::string part = letter_of(i) + " " + columns[i] + "   ";
    if (line.size() + part.size() > 120) {
      out << line << "\n";
      line = "  ";
    }
    line += part;
  }
  out << line << "\n";
}

}  // namespace

void print_confusion(std::span<const Verdict> verdicts, std::ostream& out) {
  const Matrix matrix = matrix_of(verdicts);
  const std::vector<std::string> columns = columns_of(matrix);
  out << "\nConfusion: injected (rows) against said (columns), faults that can be told:\n";
  print_letters(columns, out);
  out << padded("", 28);
  for (std::size_t i = 0; i < columns.size(); ++i) {
    out << right(letter_of(i), 6);
  }
  out << "\n";
  for (const auto& [label, counts] : matrix) {
    out << "  " << padded(label, 26);
    for (const std::string& column : columns) {
      const auto found = counts.find(column);
      out << right(found == counts.end() ? "." : std::to_string(found->second), 6);
    }
    out << "\n";
  }
}

QuantileBounds quantile_bounds(std::vector<double> values, double share) {
  QuantileBounds bounds;
  if (values.empty()) {
    return bounds;
  }
  std::sort(values.begin(), values.end());
  const auto n = static_cast<double>(values.size());
  const double reach = two_sided_95 * std::sqrt(n * share * (1 - share));
  const auto at = [&](double rank) {
    return values[static_cast<std::size_t>(std::clamp(std::ceil(rank) - 1, 0.0, n - 1))];
  };
  return {at(n * share), at(n * share - reach), at(n * share + reach + 1)};
}

QuantileBounds grouped_quantile_bounds(const std::vector<std::vector<double>>& by_run, double share) {
  constexpr std::size_t groups = 20;
  constexpr double student_t_19 = 2.093;
  std::array<std::vector<double>, groups> grouped;
  std::vector<double> all;
  std::size_t runs = 0;
  for (const std::vector<double>& values : by_run) {
    if (!values.empty()) {
      std::vector<double>& group = grouped.at(runs++ % groups);
      group.insert(group.end(), values.begin(), values.end());
      all.insert(all.end(), values.begin(), values.end());
    }
  }
  QuantileBounds bounds;
  bounds.value = quantile(all, share);
  std::vector<double> each;
  for (const std::vector<double>& group : grouped) {
    if (!group.empty()) {
      each.push_back(quantile(group, share));
    }
  }
  if (runs < 2 * groups) {
    bounds.bounded = false;
    return bounds;
  }
  double mean = 0;
  for (const double value : each) {
    mean += value / groups;
  }
  double variance = 0;
  for (const double value : each) {
    variance += (value - mean) * (value - mean) / (groups - 1);
  }
  const double half = student_t_19 * std::sqrt(variance / groups);
  bounds.low = std::max(0.0, std::min(bounds.value, mean) - half);
  bounds.high = std::max(bounds.value, mean) + half;
  return bounds;
}

namespace {

struct WheelRow {
  std::size_t runs = 0;
  std::size_t false_locks = 0;
  std::size_t judged = 0;
  std::size_t named = 0;
  std::size_t located = 0;
  std::size_t never_locked = 0;
  std::vector<double> to_lock;
  std::vector<std::vector<double>> running;  // TDC error of each run, absolute
  std::vector<std::vector<double>> cranking;
};

void add_tdc(const Verdict& verdict, WheelRow& row) {
  row.running.emplace_back();
  row.cranking.emplace_back();
  for (const TdcReading& reading : verdict.tdc) {
    if (reading.where == TdcClass::running || reading.where == TdcClass::running_few_teeth) {
      row.running.back().push_back(std::fabs(reading.error_deg));
    } else if (reading.where == TdcClass::cranking || reading.where == TdcClass::cranking_few_teeth) {
      row.cranking.back().push_back(std::fabs(reading.error_deg));
    }
  }
}

std::array<WheelRow, wheel_classes> rows_of(std::span<const Verdict> verdicts) {
  std::array<WheelRow, wheel_classes> rows;
  for (const Verdict& verdict : verdicts) {
    if (!verdict.problem.empty()) {
      continue;
    }
    WheelRow& row = rows.at(static_cast<std::size_t>(verdict.wheel));
    ++row.runs;
    row.false_locks += verdict.false_locks.empty() ? 0 : 1;
    row.never_locked += verdict.never_locked ? 1 : 0;
    for (const FaultVerdict& fault : verdict.faults) {
      row.judged += fault.cannot_tell.empty() ? 1 : 0;
      row.named += fault.cannot_tell.empty() && fault.named ? 1 : 0;
      row.located += fault.cannot_tell.empty() && fault.named && fault.located ? 1 : 0;
    }
    if (verdict.cycles_to_lock) {
      row.to_lock.push_back(*verdict.cycles_to_lock);
    }
    add_tdc(verdict, row);
  }
  return rows;
}

std::string share_words(std::size_t hits, std::size_t n) {
  if (n == 0) {
    return "-";
  }
  const Share share = share_of(hits, n);
  return std::to_string(hits) + "/" + std::to_string(n) + " (" + fixed(100 * share.low, 1) + "-" +
         fixed(100 * share.high, 1) + " %)";
}

std::string tdc_words(const std::vector<std::vector<double>>& by_run) {
  const QuantileBounds p95 = grouped_quantile_bounds(by_run, 0.95);
  const double greatest = grouped_quantile_bounds(by_run, 1).value;
  const double median = grouped_quantile_bounds(by_run, 0.5).value;
  const std::string bounds = p95.bounded ? fixed(p95.low, 3) + "-" + fixed(p95.high, 3) : "few runs";
  return fixed(median, 3) + " " + fixed(p95.value, 3) + " (" + bounds + ") " + fixed(greatest, 2);
}

}  // namespace

void print_by_wheel(std::span<const Verdict> verdicts, std::ostream& out) {
  const std::array<WheelRow, wheel_classes> rows = rows_of(verdicts);
  out << "\nBy wheel              runs  false locks (95 %)      faults named (95 %)       ... and located (95 %)    "
         "cycles to lock p50, p95 (95 %)  never\n";
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const WheelRow& row = rows.at(i);
    if (row.runs == 0) {
      continue;
    }
    const QuantileBounds p95 = quantile_bounds(row.to_lock, 0.95);
    out << "  " << padded(std::string(to_string(static_cast<WheelClass>(i))), 20) << right(std::to_string(row.runs), 6)
        << "  " << padded(share_words(row.false_locks, row.runs), 24) << padded(share_words(row.named, row.judged), 26)
        << padded(share_words(row.located, row.judged), 26)
        << padded(fixed(quantile(row.to_lock, 0.5), 2) + ", " + fixed(p95.value, 2) + " (" + fixed(p95.low, 2) + "-" +
                      fixed(p95.high, 2) + ")",
                  32)
        << row.never_locked << "\n";
  }
  out << "\nTDC error by wheel, degrees: p50, p95 (95 %), greatest\n  " << padded("", 20) << padded("running", 36)
      << "cranking\n";
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const WheelRow& row = rows.at(i);
    if (row.runs > 0) {
      out << "  " << padded(std::string(to_string(static_cast<WheelClass>(i))), 20)
          << padded(tdc_words(row.running), 36) << tdc_words(row.cranking) << "\n";
    }
  }
}

}  // namespace cw::campaign
