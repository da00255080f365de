// `crankwitness status`: one glance at one that runs.
#pragma once

#include <iosfwd>
#include <string>

#include "cli/exit_code.hpp"

namespace cw {

struct StatusOptions {
  std::string address;  // of its page; empty: the usual one
  bool json = false;    // what it says, unchanged
};

// What /status.json says, in words; an error line when it can't be read. The exit code: `lossy` when the analysis is
// stale or nothing is recorded, else `findings` when sync is lost or a warning or fault lasts or was told within the last
// ten minutes, else `done`; `bad_input` when it is no status.
struct StatusWords {
  std::string text;
  ExitCode code = ExitCode::done;
};
StatusWords status_in_words(const std::string& json);

ExitCode status_command(const StatusOptions& options, std::ostream& out, std::ostream& err);

}  // namespace cw
