// The sources that a session really has, as the monitor is to know them.
#pragma once

#include <vector>

#include "geometry/engine.hpp"
#include "record/session_info.hpp"

namespace cw {

// Puts `sources`, by their numbers, in the place of those of the engine file, which --source may have replaced. Each has
// the least delay of the [[source]] with its driver and address, else what is usual for its driver. Live and in a replay
// the same engine file and sources give the same. Without any the engine is left as it is.
void use_sources(const std::vector<SourceInfo>& sources, Engine& engine);

}  // namespace cw
