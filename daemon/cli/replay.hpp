// `crankwitness replay`: a recorded session or a raw file through the same pipeline as live.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "cli/exit_code.hpp"
#include "geometry/engine.hpp"
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

// The same for what is read from the observations, not from an account of them: standard output stays empty, what is wrong
// is complained of. `begin` is called once the input and its engine file are found sound; it gives who receives the
// observations, and must outlive the call, or a line that says why this engine file won't do (exit code 2).
using BeginReplay = std::function<std::variant<Observer*, std::string>(const Engine& engine)>;
ExitCode replay_to(const ReplayOptions& options, const BeginReplay& begin);

}  // namespace cw
