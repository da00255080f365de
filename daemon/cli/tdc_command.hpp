// `crankwitness tdc`: where top dead centre lies, from how the crank runs down.
#pragma once

#include "cli/exit_code.hpp"
#include "cli/replay.hpp"

namespace cw {

// Of `options`: inputs, engine, channels, json. done: a bracket was told; nothing: none can be, and why.
ExitCode tdc_command(const ReplayOptions& options);

}  // namespace cw
