// Log lines on standard error, kept apart from the status line.
#pragma once

#include <spdlog/logger.h>

#include <memory>
#include <string>

#include "cli/terminal.hpp"

namespace cw {

// `terminal` must outlive the logger. For the journal lines begin with their priority as <N> (sd-daemon(3)) and have no
// time: the journal writes down both.
std::shared_ptr<spdlog::logger> make_log(Terminal& terminal, bool journal);

// What stands before an error line that is written without a logger: the program's name, in the journal its priority.
std::string error_prefix(bool journal);

}  // namespace cw
