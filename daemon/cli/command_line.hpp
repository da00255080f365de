// The command line of crankwitness.
#pragma once

namespace cw {

// Runs what the arguments ask for; the exit code (exit_code.hpp).
int run_command_line(int argc, const char* const* argv);

}  // namespace cw
