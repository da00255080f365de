// Findings, seconds and cycles as the lines of the session's text files (SESSION_FORMAT.md).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

// Appends `value` with exactly `decimals` digits behind the point; never "-0.000". False, and nothing appended, when it
// is not finite.
bool append_fixed(std::string& out, double value, int decimals);

// Appends `text` as a JSON string with its quotes; what is not UTF-8 becomes U+FFFD.
void append_json_string(std::string& out, std::string_view text);

// One line of events.jsonl without its LF. `wall_ns` is the wall time of the deciding item, when it is known.
std::string finding_json(const Finding& finding, std::optional<std::int64_t> wall_ns);

// Header lines and rows, each with its LF. Columns for cams in the order of the engine file.
std::string trend_header(const Engine& engine);
std::string trend_row(const Second& second, std::size_t cams);
std::string cycles_header(const Engine& engine);
std::string cycles_row(const Cycle& cycle, std::size_t cams);

}  // namespace cw
