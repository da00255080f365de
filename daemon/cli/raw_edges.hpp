// All edges of an input, by channel, for what looks at a recording as a whole.
#pragma once

#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "learn/learn.hpp"

namespace cw {

struct RawEdges {
  std::vector<learn::Channel> channels;  // with edges, in the order in which they were named
  bool cut = false;                      // there were more edges than are looked at (raw_edges_max)
  std::string trouble;                   // why the input could not be read to its end; empty: it was
};

inline constexpr std::size_t raw_edges_max = 8'000'000;

// Of files (edge CSV, edge stream, VCD) or one session. Where a device's clock started afresh, of the part with most edges;
// where several devices are in it, of the one with most. An error line when nothing can be read.
std::variant<RawEdges, std::string> read_raw_edges(const std::vector<std::string>& paths);

}  // namespace cw
