// How the channels of a source are called in the engine file: `--channels` or the file's own [[source]].
#pragma once

#include <string>
#include <variant>

#include "drivers/driver.hpp"
#include "geometry/engine.hpp"
#include "record/session_totals.hpp"

namespace cw {

// From the text of --channels, "crank=D0,cam1=D1"; when it is empty those of the first [[source]] that has any. An error
// line for what is not such a list, for a name that is no channel of the engine file, and for one given twice.
std::variant<ChannelNames, std::string> channel_names(const std::string& text, const Engine& engine);

// A line that says so when the input had edges but none on the crank's channel, with the channels it had; else empty.
std::string crank_not_seen(const SessionTotals& totals, const Engine& engine);

}  // namespace cw
