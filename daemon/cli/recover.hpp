// `crankwitness recover`: what can be read back of a damaged session, as a new session.
#pragma once

#include <string>

#include "cli/exit_code.hpp"

namespace cw {

struct RecoverOptions {
  std::string input;  // a session, its capture folder, or one segment (.cwr)
  std::string out;    // new session folder
};

// `done` for whole, `lossy`, `nothing`; else as for the other commands.
ExitCode recover(const RecoverOptions& options);

}  // namespace cw
