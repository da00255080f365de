// What an engine's edges ask of a serial line: the speed up to which a line of some baud rate carries them all.
#pragma once

#include <cstdint>

#include "geometry/engine.hpp"

namespace cw {

// Which edges the capture device sends.
enum class SentEdges : std::uint8_t {
  used,  // those alone that the engine file names: one a tooth
  both   // the rising and the falling one of every tooth, cam window and reference pulse
};

// What an edge takes at most on the line (drivers/EDGE_STREAM.md).
inline constexpr double binary_bytes_an_edge = 3;  // from 2,000 edges/s on, all included
// Text: "$E,65535," name ",f,4294967295*hh" CR LF, of a counter of 32 bits; the name comes on top.
inline constexpr double text_bytes_an_edge = 27;

// Edges of one crank turn on average over the cycle: wheel, cams and reference.
double edges_a_turn(const Engine& engine, SentEdges sent);

// Bytes of one crank turn in the text form, with the names that the device uses.
double text_bytes_a_turn(const Engine& engine, const SourceSpec& source, SentEdges sent);

// The speed at which `bytes_a_turn` fill a line of `baud` with 10 bits a byte (start, 8 data, stop), rounded down.
double line_limit_rpm(int baud, double bytes_a_turn);

}  // namespace cw
