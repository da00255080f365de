// Cam edges against the pattern of the engine file: the common shift that explains them best, which edges are missing,
// which are too many; and which of the alike places of the cycle the cams support.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "geometry/engine.hpp"

namespace cw {

// A cam that is a belt tooth or three out of its place is looked for within this of it.
inline constexpr double belt_jump_deg_max = 60;
// Play and warmth move a fixed cam by no more than this from where it was last found.
inline constexpr double known_shift_slack_deg = 2;

// A cam edge placed on the crank circle. `angle_deg` is a crank angle that goes on rising over the cycles.
struct LocatedEdge {
  double angle_deg = 0;
  std::int64_t t_ns = 0;
  ActiveEdge edge = ActiveEdge::falling;
  double uncertainty_deg = 0;  // of the angle: crank speed between the teeth around it is not seen
};

struct AngleSpan {
  double from_deg = 0;
  double to_deg = 0;
};

struct CamMatch {
  double shift_deg = 0;        // measured - expected, mean of the matched edges; 0 when none matched
  double uncertainty_deg = 0;  // of the shift: what the matched edges have in common, not averaged away
  int matched = 0;
  std::vector<double> missing_deg;   // expected angles (rising over the cycles, shift included) without an edge
  std::vector<LocatedEdge> surplus;  // edges that match nothing
  int mismatches() const { return static_cast<int>(missing_deg.size() + surplus.size()); }
};

// Tries every shift in [least_deg, most_deg] that lays some edge on some expected one, or (`found`) that some edge is just
// within the scatter of; keeps the one with the fewest mismatches, among equals the nearest to `usual_deg`. Expected edges
// count as missing only when the whole of their scatter lies within `span`.
struct ShiftRange {
  double least_deg = 0;
  double most_deg = 0;
  double usual_deg = 0;
  bool found = false;  // usual_deg is where the cam was last found: its phaser may go as far from there as it travels
};
CamMatch match_cam(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> edges, AngleSpan span,
                   const ShiftRange& shifts);

// Scatter of one edge about the common shift that still counts as a match, degrees: the file's tolerance, but at most a
// third of the way to the next edge of the pattern.
double edge_scatter_deg(const CamPattern& pattern, double cycle_deg);

// The shift range that the engine file allows, widened by its tolerance and `extra_deg` on both sides.
ShiftRange allowed_shifts(const CamPattern& pattern, double extra_deg);

// Which places (0 to places-1) the cams leave: all edges so far are `turn_deg` x place further on than assumed. A place
// is left when every cam fits there without a mismatch, and ruled out when at least two cam edges match nothing there, so
// that a single odd edge never decides. Cams that fit nowhere (dead, noisy, out of place) say nothing. Empty when no cam
// says anything, when cams that fit do not agree, or when some place is neither left nor ruled out yet.
struct CamEdges {
  const CamPattern* pattern = nullptr;
  std::span<const LocatedEdge> edges;  // ascending, over at least `span`
  // Where the cam was found before, when only that may be believed: then it fits within `slack_deg` of this only.
  std::optional<double> known_shift_deg = std::nullopt;
  double slack_deg = known_shift_slack_deg;
};
std::vector<int> places_left(std::span<const CamEdges> cams, double cycle_deg, double turn_deg, int places,
                             AngleSpan span, double extra_shift_deg);

}  // namespace cw
