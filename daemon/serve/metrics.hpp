// The latest state in the text format of Prometheus. Names, units and labels follow its conventions: base units where
// there is one (speeds in rpm and angles in degrees are the trade's), counts end in _total, what is not known has no
// line. Labels: lock states, finding kinds and severities, cams and sources of the engine file; nothing that grows.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>

#include "serve/live_state.hpp"

namespace cw {

// What the server counts of itself.
struct ServeCounts {
  std::size_t pages_open = 0;
  std::uint64_t pages_dropped = 0;  // they read too slowly
  std::uint64_t requests = 0;
  std::uint64_t refused = 0;  // answered with a 4xx or 5xx
};

std::string metrics_text(const LiveStatus& status, const ServeCounts& counts);

}  // namespace cw
