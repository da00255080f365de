// A folder with an engine file, its edges and a CAN log, for the real program's `replay`.
#pragma once

#include <string>
#include <vector>

#include "program.hpp"
#include "trial_edges.hpp"

namespace cw::test {

class ReplayTrial {
 public:
  // So many seconds of the trial engine's edges at 3,000 rpm, and these lines of `candump -L`.
  ReplayTrial(const std::string& engine_toml, double seconds, const std::string& log_lines) {
    write_text(engine, engine_toml);
    write_text(edges, trial_csv(3000, seconds, 0));
    write_text(log, log_lines);
  }

  Ended replay(std::vector<std::string> words) const {
    words.insert(words.begin(), "replay");
    return run_program(folder, words);
  }

  const ScratchFolder folder;
  const std::string engine = folder / "engine.toml";
  const std::string edges = folder / "edges.csv";
  const std::string log = folder / "can.log";
};

}  // namespace cw::test
