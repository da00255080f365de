#include "signals/bus_map.hpp"

#include <algorithm>

namespace cw {

bool gives(const std::vector<BusMap>& maps, SignalName name) {
  return std::ranges::any_of(maps, [&](const BusMap& bus) {
    return std::ranges::any_of(bus.map.messages, [&](const MessageDefinition& message) {
      return std::ranges::any_of(message.signals, [&](const SignalDefinition& signal) { return signal.name == name; });
    });
  });
}

std::vector<CanIdMatch> needed_ids(const std::vector<BusMap>& maps, const std::string& interface) {
  std::vector<CanIdMatch> out;
  for (const BusMap& bus : maps) {
    if (!bus.interface.empty() && bus.interface != interface) {
      continue;
    }
    for (const CanIdMatch& id : needed_ids(bus.map)) {
      if (std::ranges::find(out, id) == out.end()) {
        out.push_back(id);
      }
    }
  }
  return out;
}

}  // namespace cw
