// `crankwitness check`: what an engine file with its signal maps lets be compared with what the ECU says, and what not.
#pragma once

#include <iosfwd>
#include <vector>

#include "cli/check.hpp"
#include "geometry/engine.hpp"
#include "signals/bus_map.hpp"

namespace cw {

// `maps`: of all [[can]] of the file; at least one.
void explain_ecu_side(const Engine& engine, const std::vector<BusMap>& maps, const CheckLook& look, std::ostream& out);

}  // namespace cw
