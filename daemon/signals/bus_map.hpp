// The signal maps of an installation, each with the interface whose frames it reads.
#pragma once

#include <string>
#include <vector>

#include "signals/signal_map.hpp"

namespace cw {

struct BusMap {
  SignalMap map;
  std::string interface;  // name of the CAN channel that it is for; empty: of any
};

// Whether some map gives this signal, of whatever cam.
bool gives(const std::vector<BusMap>& maps, SignalName name);

// The identifiers that the maps of this interface need, each once; none when no map is for it.
std::vector<CanIdMatch> needed_ids(const std::vector<BusMap>& maps, const std::string& interface);

}  // namespace cw
