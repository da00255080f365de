// The sections of the engine file, each read into its part of cw::Engine. What can be wrong within a section, or
// between it and the sections read before it, is complained of here; order of reading: engine, crank, cam, reference,
// source, can, limits, record, serve. Every function expects keys that are known to be valid (check_engine_keys).
#pragma once

#include <toml++/toml.h>

#include <array>
#include <cstddef>
#include <string>
#include <vector>

#include "config/table_reader.hpp"
#include "geometry/engine.hpp"

namespace cw {

inline constexpr int cylinders_max = 24;
inline constexpr int wheel_positions_max = 400;
inline constexpr std::size_t wheel_gaps_max = 50;
inline constexpr std::size_t cams_max = 16;
inline constexpr std::size_t cam_edges_max = 200;
inline constexpr std::size_t sources_max = 8;
inline constexpr std::size_t can_maps_max = 8;
inline constexpr std::size_t serve_hosts_max = 16;
inline constexpr std::size_t path_bytes_max = 1000;
inline constexpr std::size_t name_bytes_max = 100;
inline constexpr std::size_t channel_bytes_max = 64;

// The periods that anything on an engine can have: one crank turn or two.
inline constexpr std::array<double, 2> turn_periods_deg = {360, 720};
// Teeth of a list stand at least this far apart, so that no interval is lost in rounding; real ones are much wider.
inline constexpr double tooth_step_deg_min = 0.1;

// A channel of the engine file and where it was given its role, for errors that name both places.
struct ChannelUse {
  std::string channel;
  std::string role;  // "the crank wheel", "cam intake", "the reference"
  int line = 0;
};

// Reads [engine]: name, cylinders, firing order and angles, cycle.
void read_engine_section(const TableReader& in, Engine& engine);

// Reads [crank]. Needs engine.cycle_deg.
Wheel read_crank_section(const TableReader& in, double cycle_deg);

// Reads one [[cam]]. Edges of a pattern that repeats each turn (period_deg = 360 on a four-stroke) are written out for
// the whole cycle.
CamPattern read_cam_section(const TableReader& in, double cycle_deg);

Reference read_reference_section(const TableReader& in, double cycle_deg);

// Reads one [[source]]; `uses` are the channels that the file has given roles.
SourceSpec read_source_section(const TableReader& in, const std::vector<ChannelUse>& uses);

// Reads one [[can]].
CanSpec read_can_section(const TableReader& in);

Limits read_limits_section(const TableReader& in);

// Reads [record]: where and how `run` records, and how long sessions are kept.
RecordSpec read_record_section(const TableReader& in);

// Reads [serve]: where the live page, status and metrics are served.
ServeSpec read_serve_section(const TableReader& in);

// The channel name at `key`, `fallback` when absent. A name that is taken already is complained of, naming both places;
// otherwise it is added to `uses`.
std::string read_channel(const TableReader& in, const std::string& fallback, const std::string& role,
                         std::vector<ChannelUse>& uses);

// `delay_us` of any channel: 0 to 10,000.
double read_delay(const TableReader& in);

// "falling" or "rising"; complained of when absent.
ActiveEdge read_active_edge(const TableReader& in);

// Files a complaint unless each value is at least `step_min` above the one before it.
void check_ascending(const TableReader& in, std::string_view key, const std::vector<double>& values, double step_min);

}  // namespace cw
