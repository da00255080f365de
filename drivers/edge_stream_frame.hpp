// What a frame (binary form) or a line (text form) of an edge stream holds, whichever form it came in. Layout and
// ranges: drivers/EDGE_STREAM.md.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace cw {

inline constexpr std::size_t stream_frame_max = 254;  // bytes before COBS
inline constexpr std::size_t stream_line_max = 320;   // bytes before the LF
inline constexpr std::size_t stream_channels_max = 8;
inline constexpr std::size_t stream_name_max = 24;

enum class StreamKind : std::uint8_t { header, edges, heartbeat };

// What a device says of itself; the same in all its headers.
struct StreamSetup {
  std::uint32_t rate_hz = 0;
  std::uint8_t width_bits = 0;
  std::vector<std::string> names;  // by channel number
  friend bool operator==(const StreamSetup&, const StreamSetup&) = default;

  // Ticks after which the counter wraps, less one.
  std::uint64_t mask() const { return UINT64_MAX >> (64U - width_bits); }
};

struct StreamEdge {
  std::uint64_t delta = 0;   // ticks after the edge before it in the frame; 0 for the first
  std::uint8_t channel = 0;  // binary form only
  bool rising = false;
};

struct StreamFrame {
  StreamKind kind = StreamKind::heartbeat;
  std::uint16_t sequence = 0;
  std::uint64_t counter = 0;                  // of the first edge; else the counter when it was sent
  std::uint32_t dropped = 0;                  // not in edge frames
  std::optional<std::uint16_t> edges_before;  // edges sent before this frame, modulo 65536; binary form only
  std::uint32_t header_number = 0;            // headers only: how many were sent before it
  StreamSetup setup;                          // headers only
  std::vector<StreamEdge> edges;              // edge frames only
  std::string channel_name;                   // text form, edges only
};

// The bytes between two delimiters into `out`. Empty, or what was expected. On failure `out` holds anything.
std::string parse_stream_frame(std::string_view coded, StreamFrame& out);

// A line without its LF, likewise.
std::string parse_stream_line(std::string_view line, StreamFrame& out);

}  // namespace cw
