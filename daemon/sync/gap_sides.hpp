// Whether the teeth beside the gaps stand where the engine file says, as near as the ripple of the engine lets one tell.
// A reluctor wired backwards gives one edge somewhere in the gap (wheel_look.hpp). On a slow crank, whose sensor gives
// little, that is near one end of the gap, and the two intervals pass for the gap and a tooth beside it that a dip of speed
// made long or short. But a dip is a wave, and shows on both sides of the gap as well.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "geometry/engine.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw {

enum class GapSidesVerdict : std::uint8_t {
  cannot_tell,  // no gap, or too few teeth between gaps; or the file does not explain the edges at all
  unclear,      // speed changes too much for these edges to tell
  in_place,
  off,
};

struct GapSides {
  GapSidesVerdict verdict = GapSidesVerdict::cannot_tell;
  // Of `off`: the tooth that stands farthest from its place, measured in its doubt.
  bool before_gap = true;  // the last tooth before a gap, else the first after one
  double off_pitches = 0;  // of the file's least step, late = positive
};

// Waves a turn of which the ripple of this engine's speed is made: the firings and twice and three times as many, or, where
// they are uneven or fewer than one a turn, all multiples of one a cycle; up to eight in any case, since the fewer cylinders
// the shorter the dips are for their distance.
std::vector<double> ripple_orders(const Engine& engine);

// Looks at all edges of `t_ns` (ascending), best two turns: passage times as a function of the angle in the file, a trend
// and waves of `orders`, are fitted by least squares to all teeth but those before (after) the gaps, which are then compared
// with it. `off`: wherever one starts on the file's wheel so that it explains the edges (explaining_starts), a tooth is off
// by more than four standard deviations of what the other teeth leave, and 0.05, and more than twice as far as any of
// them. `in_place`: from some start none is, and one 0.3 off would have been.
GapSides look_at_gap_sides(std::span<const std::int64_t> t_ns, const ToothCycle& file, std::span<const double> orders);

}  // namespace cw
