// What of a recording is missing, in words.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "record/capture_reader.hpp"
#include "record/wall_time.hpp"

namespace cw {

// A line for each hole: how long, from when to when (seconds of the session, from its first item, and wall time where
// `anchor` is known) and which items. The list of a report is limited; what is left out is said in a last line.
std::vector<std::string> holes_in_words(const CaptureReport& report, const std::optional<WallAnchor>& anchor);

// A line for each stretch of bytes that could not be used: file, where, how many, why.
std::vector<std::string> damage_in_words(const CaptureReport& report);

// All of it under one headline; empty when the capture is whole.
std::string missing_in_words(const CaptureReport& report, const std::optional<WallAnchor>& anchor);

}  // namespace cw
