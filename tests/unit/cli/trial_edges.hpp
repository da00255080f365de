// An invented single-cylinder engine with a 36 - 1 wheel and one cam tooth, and its edges at constant speed as CSV
// lines. Arithmetic only; no simulator.
#pragma once

#include <algorithm>
#include <cstdint>
#include <string>
#include <tuple>
#include <vector>

namespace cw::test {

inline const std::string trial_engine = R"([engine]
name = "trial one"
cylinders = 1
firing_order = [1]

[crank]
channel = "crank"
active_edge = "falling"
teeth = 36
missing = 1
trigger_offset_deg = 90.0
offset_basis = "verified-mark"

[[cam]]
name = "intake"
channel = "cam1"
active_edge = "falling"
edges_deg = [200.0]

[reference]
channel = "ref"
active_edge = "falling"
marks = "tdc"
period_deg = 720
advance_deg = 0.0
)";

struct TrialEdge {
  std::int64_t t_ns;
  std::string line;  // with its LF
};

// Edges of `seconds` at `rpm`. The wheel's reference tooth stands at crank angle 720 - 90 = 630, the run begins at
// angle 0. Every `drop_every`-th crank edge is left out (0: none).
inline std::vector<TrialEdge> trial_edges(double rpm, double seconds, int drop_every) {
  const double ns_per_deg = 1e9 / (rpm * 6.0);  // 1 rpm is 6 degrees a second
  const double end_deg = seconds * 1e9 / ns_per_deg;
  std::vector<std::tuple<double, const char*>> passages;
  int count = 0;
  const int turns = static_cast<int>(end_deg / 360.0) + 2;
  for (int turn = 0; turn < turns; ++turn) {
    const double turn_deg = 630.0 - 720.0 + 360.0 * turn;
    for (int tooth = 0; tooth < 35; ++tooth) {
      const double at_deg = turn_deg + 10.0 * tooth;
      if (at_deg >= 0 && at_deg < end_deg && (drop_every == 0 || ++count % drop_every != 0)) {
        passages.emplace_back(at_deg, ",crank,f\n");
      }
    }
  }
  for (int cycle = 0; 720.0 * cycle < end_deg; ++cycle) {
    const double cycle_deg = 720.0 * cycle;
    passages.emplace_back(cycle_deg + 0.001, ",ref,f\n");
    passages.emplace_back(cycle_deg + 200.0, ",cam1,f\n");
  }
  std::sort(passages.begin(), passages.end());
  std::vector<TrialEdge> edges;
  for (const auto& [at_deg, rest] : passages) {
    const auto t_ns = static_cast<std::int64_t>(at_deg * ns_per_deg);
    edges.push_back({t_ns, std::to_string(t_ns) + rest});
  }
  return edges;
}

inline std::string trial_csv(double rpm, double seconds, int drop_every) {
  std::string text = "t_ns,channel,edge\n";
  for (const TrialEdge& edge : trial_edges(rpm, seconds, drop_every)) {
    text += edge.line;
  }
  return text;
}

}  // namespace cw::test
