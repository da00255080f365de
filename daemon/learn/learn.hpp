// From raw edges alone to an engine file, "as found": what is where, how sure that is, and what edges can't tell.
// Pure: edges in, a description out.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "geometry/engine.hpp"

namespace cw::learn {

// All edges of one signal, ascending.
struct Channel {
  std::string name;
  std::vector<std::int64_t> rising_ns;
  std::vector<std::int64_t> falling_ns;
};

// What the user knows and edges can't tell.
struct Known {
  std::optional<int> cylinders;
  std::vector<int> firing_order;  // empty: not given
  bool two_stroke = false;
  std::string wheel;                  // channel of the wheel; empty: not given
  std::string reference;              // channel of an output that marks TDC1 or cylinder 1's spark; empty: none
  std::optional<double> advance_deg;  // it marks the spark, so much before TDC1; absent: it marks TDC1
  std::optional<ActiveEdge> reference_edge;
  std::optional<double> trigger_offset_deg;  // measured otherwise
};

struct FoundEdge {
  double angle_deg = 0;      // from the marked reference tooth
  double uncertain_deg = 0;  // 95 %, of the place; how far it wanders is scatter_deg
  double scatter_deg = 0;    // standard deviation from repeat to repeat
  ActiveEdge edge = ActiveEdge::falling;
};

struct FoundCam {
  std::string channel;
  bool index = false;  // the same in every turn of the crank
  bool both_edges = false;
  std::vector<FoundEdge> edges;  // ascending
  bool edge_by_choice = false;   // both polarities were as steady: either will do
};

struct FoundWheel {
  std::string channel;
  ActiveEdge edge = ActiveEdge::falling;
  bool edge_by_choice = false;
  WheelShaft shaft = WheelShaft::crank;
  bool shaft_sure = false;
  bool pitched = true;
  int positions = 0;
  std::vector<WheelGap> gaps;         // pitched
  std::vector<double> angles_deg;     // of the teeth from the reference tooth, crank degrees
  std::vector<double> uncertain_deg;  // 95 %; 0 of pitched ones
  double margin = 0;                  // ln of how much better it explains the edges than the next best wheel
  double rpm = 0;                     // at which it was looked at
};

struct FoundReference {
  std::string channel;
  ActiveEdge edge = ActiveEdge::falling;
  double period_deg = 720;
  FoundEdge at;  // of the first mark
};

struct Learned {
  std::string problem;  // not empty: nothing convincing, and why; what follows may still say what was seen
  std::optional<FoundWheel> wheel;
  std::vector<FoundCam> cams;
  std::optional<FoundReference> reference;
  double cycle_deg = 720;
  bool cycle_sure = false;           // two turns were told apart
  std::vector<std::string> unused;   // channels with edges that nothing was made of, each with the reason
  std::vector<std::string> remarks;  // for people
  double trigger_offset_deg = 0;
  bool offset_known = false;  // from the reference, or given
};

Learned learn(const std::vector<Channel>& channels, const Known& known);

// A wheel found with less than this is not proposed.
inline constexpr double margin_min = 4;

// The engine file; `source` says of what, one line. Only without a problem.
std::string engine_toml(const Learned& learned, const Known& known, const std::string& source);

// "60-2", "12 even teeth", "7 teeth at listed angles".
std::string wheel_words(const FoundWheel& wheel);

}  // namespace cw::learn
