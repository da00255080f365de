// `crankwitness replay`: a recorded session or a raw file through the same pipeline as live.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "cli/exit_code.hpp"
#include "items/observation.hpp"

namespace cw {

struct ReplayOptions {
  std::vector<std::string> inputs;  // one session folder, or files
  std::string engine;               // engine file; empty: the session's own
  std::string channels;             // "crank=D0,cam1=D1" for a raw file; empty: those of the engine file's [[source]]
  std::vector<std::string> shifts;  // "NAME=SECONDS": added to the times of one of several files
  bool same_clock = false;          // several files were stamped by one clock
  std::string out;                  // new session folder; empty: none
  std::string cycles;               // new CSV file; empty: none
  double speed = 0;                 // times real time; 0: as fast as it goes
  bool json = false;
  std::optional<Severity> fail_on;
};

ExitCode replay(const ReplayOptions& options);

}  // namespace cw
