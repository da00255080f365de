#include "verdict.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <map>

namespace cw::replay_logs {

namespace {

constexpr double ns_per_s = 1e9;

// All lines of one finding: what opened, raised and closed it.
struct Group {
  std::vector<SaidFinding> lines;
  bool closed = false;
};

std::vector<Group> groups_of(const std::vector<SaidFinding>& findings) {
  std::vector<Group> groups;
  for (const SaidFinding& line : findings) {
    const auto same = std::find_if(groups.begin(), groups.end(), [&](const Group& group) {
      return group.lines.front().id == line.id && group.lines.front().kind == line.kind;
    });
    if (same == groups.end()) {
      groups.push_back({{line}, false});
    } else {
      same->lines.push_back(line);
    }
  }
  // A condition is over when any line with its number closes it (sync-regained closes sync-lost).
  for (Group& group : groups) {
    group.closed = std::any_of(findings.begin(), findings.end(), [&](const SaidFinding& line) {
      return line.id == group.lines.front().id && line.phase == "close";
    });
  }
  return groups;
}

int rank(const std::string& severity) {
  return severity == "fault" ? 2 : severity == "warning" ? 1 : 0;
}

std::string text_of(double value) {
  std::string text(32, ' ');
  const auto [end, problem] = std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed, 3);
  text.resize(problem == std::errc() ? static_cast<std::size_t>(end - text.data()) : 0);
  return text;
}

bool near(const std::optional<About>& wanted, const std::optional<double>& value) {
  return !wanted || (value && std::fabs(*value - wanted->value) <= wanted->within);
}

bool near_angle(const std::optional<About>& wanted, const std::optional<double>& value) {
  if (!wanted || !value) {
    return !wanted;
  }
  return std::fabs(std::remainder(*value - wanted->value, 720.0)) <= wanted->within;
}

bool has_values(const WantedFinding& wanted, const SaidFinding& line) {
  return std::all_of(wanted.values.begin(), wanted.values.end(), [&](const auto& value) {
    const auto found = std::find_if(line.values.begin(), line.values.end(),
                                    [&](const auto& said) { return said.first == value.first; });
    return found != line.values.end() && near(value.second, found->second);
  });
}

template <typename T>
bool same(const std::optional<T>& wanted, const T& said) {
  return !wanted || *wanted == said;
}

bool fits(const WantedFinding& wanted, const SaidFinding& line) {
  return line.kind == wanted.kind && same(wanted.severity, line.severity) && same(wanted.channel, line.channel) &&
         (!wanted.tooth || line.tooth == wanted.tooth) && near_angle(wanted.angle_deg, line.angle_deg) &&
         near(wanted.time_s, static_cast<double>(line.start_ns) / ns_per_s) && near(wanted.rpm, line.rpm) &&
         near(wanted.count, line.count) && same(wanted.attribution, line.attribution) && has_values(wanted, line);
}

// A condition that is raised is said again: it is enough when one of its lines fits.
bool fits(const WantedFinding& wanted, const Group& group) {
  const bool any = std::any_of(group.lines.begin(), group.lines.end(), [&](const SaidFinding& line) {
    const bool closing = line.phase == "close" && group.lines.size() > 1;
    return !closing && fits(wanted, line);
  });
  return any && (!wanted.closed || *wanted.closed == group.closed);
}

std::string in_words(const SaidFinding& line) {
  std::string words = line.severity + " " + line.kind + " " + line.channel;
  words += " at " + text_of(static_cast<double>(line.start_ns) / ns_per_s) + " s";
  words += line.tooth ? ", tooth " + std::to_string(*line.tooth) : "";
  words += line.angle_deg ? ", " + text_of(*line.angle_deg) + " deg" : "";
  words += line.rpm ? ", " + text_of(*line.rpm) + " rpm" : "";
  words += ", count " + text_of(line.count) + ", " + line.attribution;
  for (const auto& [name, value] : line.values) {
    words += ", " + name + " " + text_of(value);
  }
  return words;
}

void compare_findings(const Expectation& expectation, const std::vector<Group>& groups,
                      std::vector<std::string>& problems) {
  for (const WantedFinding& wanted : expectation.find) {
    const auto times =
        std::count_if(groups.begin(), groups.end(), [&](const Group& group) { return fits(wanted, group); });
    if (times != wanted.times) {
      problems.push_back("[[find]] of line " + std::to_string(wanted.line) + " (" + wanted.kind + "): expected " +
                         std::to_string(wanted.times) + ", found " + std::to_string(times));
    }
  }
  for (const Group& group : groups) {
    const auto fitting = [&](const WantedFinding& wanted) { return fits(wanted, group); };
    const SaidFinding& first = group.lines.front();
    if (std::find(expectation.never.begin(), expectation.never.end(), first.kind) != expectation.never.end()) {
      problems.push_back("never wanted: " + in_words(first));
      continue;
    }
    const bool known = std::any_of(expectation.find.begin(), expectation.find.end(), fitting) ||
                       std::any_of(expectation.may_find.begin(), expectation.may_find.end(), fitting);
    const bool grave = std::any_of(group.lines.begin(), group.lines.end(), [&](const SaidFinding& line) {
      return rank(line.severity) >= rank(expectation.nothing_else);
    });
    if (!known && grave) {
      problems.push_back("not expected: " + in_words(group.lines.back()));
    }
  }
}

bool claims_position(const std::string& state) {
  return state == "cycle-locked" || state == "revolution-locked";
}

void compare_no_lock(const Outcome& outcome, std::vector<std::string>& problems) {
  const auto cycles = std::count_if(outcome.cycles.begin(), outcome.cycles.end(),
                                    [](const SaidCycle& cycle) { return claims_position(cycle.state); });
  const auto seconds = std::count_if(outcome.seconds.begin(), outcome.seconds.end(),
                                     [](const auto& second) { return claims_position(second.second); });
  if (cycles + seconds > 0) {
    problems.push_back("claims a position in " + std::to_string(cycles) + " cycles and " + std::to_string(seconds) +
                       " seconds, expected in none");
  }
}

void compare_lock(const WantedLock& lock, const Outcome& outcome, std::vector<std::string>& problems) {
  if (lock.state == no_lock) {
    compare_no_lock(outcome, problems);
    return;
  }
  const auto in_state = [&](const SaidCycle& cycle) { return cycle.state == lock.state; };
  const auto first = std::find_if(outcome.cycles.begin(), outcome.cycles.end(), in_state);
  if (first == outcome.cycles.end()) {
    problems.push_back("never " + lock.state);
    return;
  }
  const double after_s = static_cast<double>(first->tdc_ns - outcome.first_edge_ns) / ns_per_s;
  if (after_s > lock.within_s) {
    problems.push_back("first TDC " + lock.state + " " + text_of(after_s) +
                       " s after the first edge, expected within " + text_of(lock.within_s));
  }
  const auto claims_more = [](const SaidCycle& cycle) { return cycle.state == "cycle-locked"; };
  if (lock.state != "cycle-locked" && std::any_of(outcome.cycles.begin(), outcome.cycles.end(), claims_more)) {
    problems.push_back("claims cycle-locked, expected no more than " + lock.state);
  }
  const auto cycles = std::count_if(outcome.cycles.begin(), outcome.cycles.end(), in_state);
  if (cycles < lock.cycles_least) {
    problems.push_back(std::to_string(cycles) + " cycles " + lock.state + ", expected at least " +
                       std::to_string(lock.cycles_least));
  }
  for (const auto& [session_s, state] : outcome.seconds) {
    if (lock.holds && session_s > after_s + 1 && state != lock.state) {
      problems.push_back("state " + state + " at " + text_of(session_s) + " s, expected that " + lock.state + " holds");
    }
  }
  const std::string end = outcome.seconds.empty() ? "nothing" : outcome.seconds.back().second;
  if (end != lock.end_state) {
    problems.push_back("ends " + end + ", expected " + lock.end_state);
  }
}

void compare_measure(const WantedMeasure& measure, const Outcome& outcome, std::vector<std::string>& problems) {
  std::vector<double> readings;
  for (const SaidCycle& cycle : outcome.cycles) {
    const double t_s = static_cast<double>(cycle.tdc_ns) / ns_per_s;
    const auto found = cycle.columns.find(measure.column);
    if (t_s >= measure.from_s && t_s <= measure.to_s && found != cycle.columns.end()) {
      readings.push_back(found->second);
    }
  }
  const std::string where = "[[measure]] of line " + std::to_string(measure.line) + " (" + measure.column + "): ";
  constexpr std::size_t few = 3;
  if (readings.size() < few) {
    problems.push_back(where + std::to_string(readings.size()) + " readings, expected at least 3");
    return;
  }
  std::sort(readings.begin(), readings.end());
  const double median = readings[readings.size() / 2];
  if (!near(measure.median, median)) {
    problems.push_back(where + "median " + text_of(median) + ", expected " + text_of(measure.median.value) +
                       " within " + text_of(measure.median.within));
  }
  const double worst =
      std::max(std::fabs(readings.front() - measure.median.value), std::fabs(readings.back() - measure.median.value));
  if (measure.all_within && worst > *measure.all_within) {
    problems.push_back(where + "a reading is " + text_of(worst) + " from " + text_of(measure.median.value) +
                       ", expected all within " + text_of(*measure.all_within));
  }
}

// Every TDC that is said to be TDC1 must be one.
void compare_tdc(const WantedTdc& truth, const Outcome& outcome, std::vector<std::string>& problems) {
  std::size_t wrong = 0;
  double worst_deg = 0;
  for (const SaidCycle& cycle : outcome.cycles) {
    const auto rpm = cycle.columns.find("rpm");
    if (cycle.state != "cycle-locked" || rpm == cycle.columns.end()) {
      continue;
    }
    const auto after = std::lower_bound(truth.tdc_ns.begin(), truth.tdc_ns.end(), cycle.tdc_ns);
    auto away_ns = after == truth.tdc_ns.end() ? cycle.tdc_ns - truth.tdc_ns.back() : *after - cycle.tdc_ns;
    if (after != truth.tdc_ns.begin()) {
      away_ns = std::min(away_ns, cycle.tdc_ns - *(after - 1));
    }
    constexpr double deg_per_s_per_rpm = 6;
    const double away_deg = static_cast<double>(away_ns) / ns_per_s * deg_per_s_per_rpm * rpm->second;
    worst_deg = std::max(worst_deg, away_deg);
    wrong += away_deg > truth.within_deg ? 1 : 0;
  }
  if (wrong > 0) {
    problems.push_back(std::to_string(wrong) + " TDCs further than " + text_of(truth.within_deg) +
                       " deg from every true one, the worst by " + text_of(worst_deg));
  }
}

std::string listed(const std::map<std::string, int>& kinds) {
  std::string words;
  for (const auto& [kind, times] : kinds) {
    words += words.empty() ? "" : ", ";
    words += kind + (times > 1 ? " x" + std::to_string(times) : "");
  }
  return words.empty() ? "nothing" : words;
}

}  // namespace

std::vector<std::string> differences(const Expectation& expectation, const Outcome& outcome) {
  std::vector<std::string> problems;
  compare_findings(expectation, groups_of(outcome.findings), problems);
  compare_lock(expectation.lock, outcome, problems);
  for (const WantedMeasure& measure : expectation.measures) {
    compare_measure(measure, outcome, problems);
  }
  if (expectation.truth) {
    compare_tdc(*expectation.truth, outcome, problems);
  }
  return problems;
}

std::string expected_in_words(const Expectation& expectation) {
  std::map<std::string, int> kinds;
  for (const WantedFinding& wanted : expectation.find) {
    if (!wanted.also) {
      kinds[wanted.kind] += wanted.times;
    }
  }
  return listed(kinds);
}

std::string found_in_words(const Outcome& outcome) {
  std::map<std::string, int> kinds;
  for (const Group& group : groups_of(outcome.findings)) {
    ++kinds[group.lines.front().kind];
  }
  return listed(kinds);
}

}  // namespace cw::replay_logs
