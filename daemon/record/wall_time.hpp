// Wall time as text: RFC 3339, UTC.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace cw {

// Ties the host's monotonic clock to the wall clock: both name the same moment.
struct WallAnchor {
  std::int64_t host_ns = 0;
  std::int64_t wall_ns = 0;  // since 1970-01-01T00:00:00Z, leap seconds not counted
};

// The wall clock now, as WallAnchor::wall_ns.
std::int64_t wall_now_ns();

// "2026-03-01T12:00:00.123Z" with `decimals` (0 to 9) digits of the second, cut, not rounded.
std::string rfc3339(std::int64_t wall_ns, int decimals);

// Reads what rfc3339 writes. Nothing when it is anything else.
std::optional<std::int64_t> parse_rfc3339(std::string_view text);

// Wall time of a host time by the anchor; nothing when it can't be written as int64 ns.
std::optional<std::int64_t> wall_ns_at(const WallAnchor& anchor, std::int64_t host_ns);

}  // namespace cw
