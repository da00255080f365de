// The sources of a run: which, from the engine file or the command line, and opened.
#pragma once

#include <string>
#include <variant>
#include <vector>

#include "cli/live_input.hpp"
#include "cli/run.hpp"
#include "geometry/engine.hpp"
#include "record/session_info.hpp"
#include "signals/bus_map.hpp"

namespace cw {

// The sources that the options name, else those of the engine file. An error line when there are none, or when one can't
// be right whatever is plugged in.
std::variant<std::vector<SourceSpec>, std::string> sources_for(const RunOptions& options, const Engine& engine);

// What session.toml says of them.
std::vector<SourceInfo> infos_of(const std::vector<SourceSpec>& specs);

// In the same order. Of CAN interfaces only frames that `maps` need are let through; all of them where no map is for an
// interface. Links are opened when the run has begun; all else must be there, or an error line is returned.
std::variant<std::vector<LiveSource>, std::string> open_sources(const std::vector<SourceSpec>& specs,
                                                                const std::vector<BusMap>& maps);

// Puts those of `running` that are described alike in the place of `sources`; closes what is left over of both.
void go_on_with(std::vector<LiveSource> running, std::vector<LiveSource>& sources);

// Closes those that are open.
void close_sources(std::vector<LiveSource>& sources);

}  // namespace cw
