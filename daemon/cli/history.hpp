// `crankwitness history`: what the sessions of a folder came to, and what changed from one to the next.
#pragma once

#include <string>

#include "cli/exit_code.hpp"

namespace cw {

struct HistoryOptions {
  std::string folder;
  bool json = false;
};

ExitCode history(const HistoryOptions& options);

}  // namespace cw
