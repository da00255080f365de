// What must be found in a replay log and what must not: the expectation file beside it (replay-logs/README.md).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

namespace cw::replay_logs {

struct About {
  double value = 0;
  double within = 0;  // > 0
};

// A finding that must be there. Keys left out are not looked at.
struct WantedFinding {
  int line = 0;  // in the expectation file
  std::string kind;
  int times = 1;      // so many findings, an `open` and its `close` counted once
  bool also = false;  // says more of a finding that another [[find]] has named: not one more in the table
  std::optional<std::string> severity;
  std::optional<std::string> channel;
  std::optional<int> tooth;
  std::optional<About> angle_deg;
  std::optional<About> time_s;  // start, on the log's clock
  std::optional<About> rpm;
  std::optional<About> count;
  std::optional<std::string> attribution;
  std::optional<bool> closed;  // whether the condition was over before the end
  std::vector<std::pair<std::string, About>> values;
};

// WantedLock::state of a log in which no position can be known: no other key is read then.
inline constexpr const char* no_lock = "none";

struct WantedLock {
  std::string state;      // the best state that the engine file allows in this log; "none": no position may be claimed
  double within_s = 0;    // first TDC reported in this state, from the first edge
  bool holds = true;      // from then on every second of trend.csv ends in it
  std::string end_state;  // of the last second
  int cycles_least = 1;   // so many cycles reported in this state
};

// Median of a column of the cycles file over a span of time.
struct WantedMeasure {
  int line = 0;
  std::string column;
  double from_s = 0;
  double to_s = 0;
  About median;
  std::optional<double> all_within;  // each reading no further from the median's value than this
};

struct WantedTdc {
  std::vector<std::int64_t> tdc_ns;  // every TDC1 of the log, ascending; never known by the program under test
  double within_deg = 0;
};

struct Expectation {
  std::string what;                   // in words
  std::string engine_file;            // path relative to the expectation file; or else
  std::string engine_text;            // the engine file's text
  std::string scenario;               // from which `simulate` made the log; or else
  std::string origin;                 // where the recording is from
  std::optional<double> can_shift_s;  // added to the times of the CAN log; absent: one clock stamped both
  bool can_only = false;              // the log has no edges
  std::vector<WantedFinding> find;
  std::vector<WantedFinding> may_find;
  std::vector<std::string> never;  // kinds that must not be there, however harmless
  std::string nothing_else;        // least severity of findings not named above that makes the log fail
  WantedLock lock;
  std::vector<WantedMeasure> measures;
  std::optional<WantedTdc> truth;
};

// The file's text, or one line a problem ("FILE:LINE: KEY: expected ..."). Unknown keys and a file that expects nothing
// are problems.
std::variant<Expectation, std::vector<std::string>> read_expectation(std::string_view text, const std::string& name);

}  // namespace cw::replay_logs
