// A simulated run through the monitor, as a source would bring it, and what the monitor said.
#pragma once

#include <cstddef>
#include <vector>

#include "campaign/dice.hpp"
#include "geometry/engine.hpp"
#include "items/item.hpp"
#include "items/observation.hpp"
#include "signals/bus_map.hpp"
#include "simulate/simulation.hpp"

namespace cw::campaign {

// A whole stream of items and its payload.
struct Stream {
  std::vector<Item> items;
  std::vector<std::byte> payload;
};

// Names first, then edges and, from a source of their own, the ECU's frames, by time, with a tick each 100 ms; then the
// end. Host time equals source time.
Stream stream_of(const sim::Simulation& simulation);

// Everything the monitor said, in order.
struct Observed {
  std::vector<Finding> findings;
  std::vector<Cycle> cycles;
  std::vector<StateChange> changes;
  std::size_t seconds = 0;
};

// Pushes the stream through a fresh monitor, cut into batches at random. `maps`: what the ECU's frames mean.
Observed observe(const Engine& engine, const Stream& stream, Dice& dice, std::vector<BusMap> maps = {});

}  // namespace cw::campaign
