// The straight line below a cloud of delays: how much later than its own stamp an item arrives grows evenly when the two
// clocks run at different speeds, and what queues add to that is never negative. So the line that lies below all points
// and as near to them as can be is the relation of the clocks, up to the least delay, which no arrival shows.
//
// Moon, Skelly and Towsley, "Estimation and removal of clock skew from network delay measurements", INFOCOM 1999,
// 227-234, find it by a linear programme; Zhang, Liu and Xia, "Clock synchronization algorithms for network
// measurements", INFOCOM 2002, by the lower convex hull, which is the form here. "As near as can be" means in both: the
// sum of the distances, taken along the delay, is the least. The tests hold one form against the other.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

namespace cw {

// One arrival: when the source stamped it, and how much later the host did. Both in ns from any origin; doubles hold
// differences of days exactly.
struct DelayPoint {
  double source_ns = 0;
  double delay_ns = 0;
};

struct DelayLine {
  double delay_at_zero_ns = 0;
  double slope = 0;  // ns of delay a ns of source time; positive: the source's clock runs slow

  double at(double source_ns) const { return delay_at_zero_ns + slope * source_ns; }
};

// The lower convex hull of `points`, which are in order of rising source time (of equal ones the lowest counts), from
// left to right. O(N).
std::vector<DelayPoint> lower_hull(std::span<const DelayPoint> points);

// The line by the convex hull: the edge of the hull above or below which the mean source time lies. Points as for
// lower_hull. Nothing for fewer than two source times. O(N).
std::optional<DelayLine> lower_line(std::span<const DelayPoint> points);

}  // namespace cw
