// Log lines on standard error, kept apart from the status line.
#pragma once

#include <spdlog/logger.h>

#include <memory>

#include "cli/terminal.hpp"

namespace cw {

// `terminal` must outlive the logger.
std::shared_ptr<spdlog::logger> make_log(Terminal& terminal);

}  // namespace cw
