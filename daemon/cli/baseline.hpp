// `crankwitness baseline`: keeps what a session was like, and holds later sessions against it.
#pragma once

#include <string>

#include "cli/exit_code.hpp"
#include "cli/replay.hpp"

namespace cw {

struct BaselineOptions {
  ReplayOptions input;
  std::string save;     // new file to write; empty: none
  std::string against;  // baseline to compare with; empty: none
  bool json = false;
};

ExitCode baseline(const BaselineOptions& options);

}  // namespace cw
