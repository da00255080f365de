// What the session comes to, in plain words, for someone who reads nothing else.
#pragma once

#include <string>
#include <vector>

#include "geometry/engine.hpp"
#include "record/session_totals.hpp"
#include "report/finding_list.hpp"
#include "report/session_picture.hpp"

namespace cw {

enum class VerdictLevel : std::uint8_t {
  nothing_said,  // no crank edge, or its position was never known
  no_fault,
  warnings,
  faults,
  stop  // a cam jumped: the engine must not be started
};

struct Verdict {
  VerdictLevel level = VerdictLevel::nothing_said;
  std::string headline;                // "No fault seen"
  std::vector<std::string> sentences;  // what was seen, gravest first
  std::vector<std::string> watched;    // for how long, and how the ECU's mark stood
  std::vector<std::string> undecided;  // cases that the evidence does not decide, and between what
  std::vector<std::string> not_watched;
};

Verdict verdict_of(const Engine& engine, const SessionTotals& totals, const SessionPicture& picture);

}  // namespace cw
