// `crankwitness learn FILES`: proposes an engine file from raw edges.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "cli/exit_code.hpp"

namespace cw {

struct LearnOptions {
  std::vector<std::string> inputs;
  std::optional<int> cylinders;
  std::string firing_order;  // "1,3,4,2"
  bool two_stroke = false;
  std::string wheel;
  std::string reference;
  std::string reference_edge;  // rising, falling or empty
  std::optional<double> advance_deg;
  std::optional<double> trigger_offset_deg;
  std::string out;  // empty: standard output
  bool json = false;
};

// The file goes to standard output (or --out, which must not exist), words for people to standard error; with --json one
// object to standard output. done: a file was proposed, and it is one that `check` takes. nothing: nothing convincing was
// found, and no file is written; standard error says what was seen.
ExitCode learn_command(const LearnOptions& options);

}  // namespace cw
