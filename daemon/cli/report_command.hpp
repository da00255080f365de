// `crankwitness report`: one HTML page about a recorded session.
#pragma once

#include <string>

#include "cli/exit_code.hpp"

namespace cw {

struct ReportOptions {
  std::string session;  // a session folder
  std::string out;      // the page; empty: report.html in the session's folder
};

ExitCode report(const ReportOptions& options);

}  // namespace cw
