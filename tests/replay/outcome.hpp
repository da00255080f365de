// What a replay said: the session folder and the cycles file it wrote, read back.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace cw::replay_logs {

// One line of events.jsonl.
struct SaidFinding {
  std::uint64_t id = 0;
  std::string phase;
  std::string kind;
  std::string severity;
  std::string channel;
  std::string attribution;
  std::int64_t start_ns = 0;
  std::optional<int> tooth;
  std::optional<double> angle_deg;
  std::optional<double> rpm;
  double count = 1;
  std::vector<std::pair<std::string, double>> values;
};

// A row of the cycles file: time, state, and every other column by name when it is known.
struct SaidCycle {
  std::int64_t tdc_ns = 0;
  std::string state;
  std::map<std::string, double> columns;
};

struct Outcome {
  std::int64_t first_edge_ns = 0;
  std::uint64_t edges = 0;
  std::uint64_t frames = 0;
  std::vector<SaidFinding> findings;
  std::vector<std::string> cycle_columns;
  std::vector<SaidCycle> cycles;
  std::vector<std::pair<double, std::string>> seconds;  // session_s and state of trend.csv's rows
};

std::vector<SaidFinding> read_events(std::string_view jsonl);
void read_cycles(std::string_view csv, Outcome& outcome);
void read_trend(std::string_view csv, Outcome& outcome);
void count_edges(std::string_view csv, Outcome& outcome);

}  // namespace cw::replay_logs
