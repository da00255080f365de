// The one deterministic pipeline: items in, observations out. Knows time only from items; no clock, no file, no thread.
#pragma once

#include <memory>
#include <vector>

#include "geometry/engine.hpp"
#include "items/item.hpp"
#include "items/observation.hpp"
#include "signals/bus_map.hpp"

namespace cw {

class Monitor {
 public:
  // `engine` must be free of contradictions (config/ sees to it); it is copied. `observer` must outlive the monitor.
  // `maps` say what the ECU's frames mean; without any, frames are passed over.
  Monitor(const Engine& engine, Observer& observer, std::vector<BusMap> maps = {});
  Monitor(const Monitor&) = delete;
  Monitor& operator=(const Monitor&) = delete;
  ~Monitor();

  // Crank, cams and reference share one clock, so they are taken from one source, the *timing source*: the first one
  // whose notes name the crank channel; until one has, the first that names any channel of the engine file. Edges of
  // other sources are passed over, and what befalls their links is told (value "source") without disturbing sync.
  //
  // Takes the next items of the stream, in sequence order. Any cut into batches gives the same observations.
  // Edges of channels that the engine file does not name are ignored. Channel numbers become names by `channel_named`
  // link notes, which must come before the channel's first edge.
  void push(const ItemBatch& batch);

  // The stream has ended: decides what can be decided without more edges, closes what is open. Call once, last.
  void finish();

 private:
  class Pipeline;
  std::unique_ptr<Pipeline> pipeline_;
};

}  // namespace cw
