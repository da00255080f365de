#include "outcome.hpp"
#include "text/json.hpp"

#include <algorithm>
#include <cstdlib>

namespace cw::replay_logs {

namespace {

std::vector<std::string_view> split(std::string_view text, char at) {
  std::vector<std::string_view> parts;
  while (true) {
    const std::size_t end = text.find(at);
    parts.push_back(text.substr(0, end));
    if (end == std::string_view::npos) {
      return parts;
    }
    text.remove_prefix(end + 1);
  }
}

// Lines without their ends; what follows the last LF is no line.
std::vector<std::string_view> lines_of(std::string_view text) {
  std::vector<std::string_view> lines = split(text, '\n');
  lines.pop_back();
  return lines;
}

std::int64_t integer(std::string_view text) {
  return std::strtoll(std::string(text).c_str(), nullptr, 10);
}
double number(std::string_view text) {
  return std::strtod(std::string(text).c_str(), nullptr);
}

template <typename T>
std::optional<T> maybe(const Json& line, const char* key) {
  return line.contains(key) ? std::optional<T>(line.at(key).get<T>()) : std::nullopt;
}

}  // namespace

std::vector<SaidFinding> read_events(std::string_view jsonl) {
  std::vector<SaidFinding> findings;
  for (const std::string_view text : lines_of(jsonl)) {
    const auto line = parse_json(text);
    SaidFinding finding;
    finding.id = line.at("id").get<std::uint64_t>();
    finding.phase = line.at("phase").get<std::string>();
    finding.kind = line.at("kind").get<std::string>();
    finding.severity = line.at("severity").get<std::string>();
    finding.attribution = line.at("attribution").get<std::string>();
    finding.start_ns = line.at("start_ns").get<std::int64_t>();
    finding.count = line.at("count").get<double>();
    finding.channel = maybe<std::string>(line, "channel").value_or("");
    finding.tooth = maybe<int>(line, "tooth");
    finding.angle_deg = maybe<double>(line, "angle_deg");
    finding.rpm = maybe<double>(line, "rpm");
    if (line.contains("values")) {
      for (const auto& [name, value] : line.at("values").items()) {
        finding.values.emplace_back(name, value.get<double>());
      }
    }
    findings.push_back(std::move(finding));
  }
  return findings;
}

void read_cycles(std::string_view csv, Outcome& outcome) {
  const std::vector<std::string_view> lines = lines_of(csv);
  for (std::size_t row = 0; row < lines.size(); ++row) {
    const std::vector<std::string_view> cells = split(lines[row], ',');
    if (row == 0) {
      outcome.cycle_columns.assign(cells.begin(), cells.end());
      continue;
    }
    SaidCycle cycle;
    for (std::size_t i = 0; i < std::min(cells.size(), outcome.cycle_columns.size()); ++i) {
      const std::string& column = outcome.cycle_columns[i];
      if (column == "tdc_ns") {
        cycle.tdc_ns = integer(cells[i]);
      } else if (column == "state") {
        cycle.state = cells[i];
      } else if (!cells[i].empty()) {
        cycle.columns[column] = number(cells[i]);
      }
    }
    outcome.cycles.push_back(std::move(cycle));
  }
}

void read_trend(std::string_view csv, Outcome& outcome) {
  const std::vector<std::string_view> lines = lines_of(csv);
  for (std::size_t row = 1; row < lines.size(); ++row) {
    const std::vector<std::string_view> cells = split(lines[row], ',');
    constexpr std::size_t state_column = 2;
    if (cells.size() > state_column) {
      outcome.seconds.emplace_back(number(cells[0]), std::string(cells[state_column]));
    }
  }
}

void count_edges(std::string_view csv, Outcome& outcome) {
  const std::vector<std::string_view> lines = lines_of(csv);
  outcome.edges = lines.empty() ? 0 : lines.size() - 1;
  outcome.first_edge_ns = lines.size() > 1 ? integer(split(lines[1], ',').front()) : 0;
}

}  // namespace cw::replay_logs
