// What a recorded session holds, read back with the program's own reader.
#pragma once

#include <cstdint>
#include <string>
#include <variant>
#include <vector>

#include "edges.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw::load {

// The item that a finding came out at: without it there would be none yet.
struct DecidingItem {
  ItemKind kind = ItemKind::edge;
  FindingKind finding = FindingKind::sync_lost;
  std::int64_t host_ns = 0;       // when the program stamped it
  std::uint64_t edge_number = 0;  // among the edges of the session, from 0; of an edge only
};

struct SessionLook {
  std::uint64_t edges = 0;
  std::vector<Edge> edge_list;         // when asked for
  std::vector<DecidingItem> deciding;  // one for each line of events.jsonl but those of the end; when asked for
  // What the items say was lost before sequencing.
  std::uint64_t dropped_by_device = 0;
  std::uint64_t dropped_by_queue = 0;
  std::uint64_t lost_on_line = 0;
  std::uint64_t gaps_of_unknown_count = 0;
  // Items that were analysed and not recorded, from the capture, and from summary.json.
  std::uint64_t missing_items = 0;
  std::uint64_t lost_items = 0;
  std::uint64_t analysed_edges = 0;  // summary.json
  std::uint64_t told_lost = 0;       // trend.csv, lost_items: what the monitor was told of
  std::uint64_t findings_lost = 0;   // events.jsonl, of edges-dropped
};

// `engine`: the session's own. `all`: the edge list and the deciding items too. An error line when it can't be read.
std::variant<SessionLook, std::string> look_at_session(const std::string& folder, const Engine& engine, bool all);

// What its summary.json, trend.csv and events.jsonl say, alone.
SessionLook look_at_text_files(const std::string& folder);

}  // namespace cw::load
