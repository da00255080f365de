// Input for the benchmarks: edges of a turning engine, made by plain arithmetic before anything is timed.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <span>
#include <string>
#include <string_view>

#include "geometry/engine.hpp"
#include "items/item_buffer.hpp"

namespace cw::bench {

struct Case {
  std::string_view name;
  std::string_view wheel;  // lines of the [crank] table that say which teeth there are
  double rpm = 6000;
  double ripple = 0;          // speed swings by this share of the mean, twice a turn
  double jitter_ns = 0;       // greatest, evenly spread
  bool both_edges = false;    // the capture has rising and falling edges, the monitor uses one of them
  int fault_every_teeth = 0;  // an edge too many or a tooth missed, in turn; 0: none
  std::string_view cam_edges_deg = "62.0, 242.0, 332.0, 602.0";
};

// Clean 60-2 comes first: it is the one that DESIGN 8 sets a target for.
std::span<const Case> cases();
const Case* find_case(std::string_view name);

// A four-stroke with this wheel, these cam edges and a reference pulse; its engine file.
Engine engine_of(const Case& what);
std::string engine_text_of(const Case& what);

struct Stream {
  ItemBuffer items;
  std::int64_t edges = 0;
};

// `seconds` of it, with a tick each 100 ms, stamped and numbered as a file replay does.
Stream stream_of(const Case& what, const Engine& engine, double seconds);

// One after another, as many as you like; names of the channels, by number.
using EdgeSink = std::function<void(std::uint8_t channel, EdgeCode code, std::int64_t t_ns)>;
void for_each_edge(const Case& what, const Engine& engine, double seconds, const EdgeSink& sink);
inline constexpr std::array<std::string_view, 3> channel_names = {"crank", "cam1", "ref"};

// The items of stream_of in pieces, so that a day of them needs no more memory than a minute.
using BatchSink = std::function<void(const ItemBuffer&)>;
void for_each_batch(const Case& what, const Engine& engine, double seconds, const BatchSink& sink);

// The same edges as the text of an edge CSV: header and rows.
inline constexpr std::string_view csv_header = "t_ns,channel,edge\n";
void add_csv_row(std::string& text, std::uint8_t channel, EdgeCode code, std::int64_t t_ns);
std::string csv_of(const Stream& stream);

// A VCD with a stamp and a change of level at the time of each edge.
std::string vcd_of(const Stream& stream);

}  // namespace cw::bench
