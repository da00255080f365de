// What the cams can say about the crank position, from the description alone: which of the places that look alike to
// the crank sensor a cam edge, or a whole cam pattern, can tell apart. Used to explain a file, not to decode.
//
// An edge may stand anywhere in its window: its parked angle, moved by the phaser's travel, give or take the tolerance.
// Two windows that touch count as confusable, so "decides" is claimed only where nothing allowed can contradict it.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "geometry/engine.hpp"

namespace cw {

struct CamEdgeEvidence {
  bool decides_turn = false;  // seen alone, with the tooth known within 360 degrees: tells the turns of the cycle apart
  bool decides_place = false;  // seen alone: tells every place of the wheel apart
  // Index of the edge of this cam whose window this edge's window would meet in the other turn; when decides_turn is
  // false there is one.
  std::optional<std::size_t> confused_with;
  bool overlaps_next = false;  // its window meets the window of the next edge of the same polarity
};

struct CamEvidence {
  std::vector<CamEdgeEvidence> edges;  // one for each edge of the cam
  bool pattern_decides_turn = false;   // all edges of a cycle together tell the turns apart
  bool pattern_decides_place = false;  // ... tell every place of the wheel apart
};

struct PositionEvidence {
  int places = 1;  // that look alike to the crank sensor alone in one cycle (ToothCycle::places)
  std::vector<CamEvidence> cams;
  // Angles of the places that are left when every cam's whole pattern has been seen, counted from the true one; the
  // first is 0. {0}: position known within the cycle. {0, 360}: within a turn only.
  std::vector<double> left_deg;
};

PositionEvidence position_evidence(const Engine& engine);

// The position is known within this many degrees when all edges have been seen: engine.cycle_deg, 360 or, when not even
// the tooth can be told, nothing.
std::optional<double> known_within_deg(const PositionEvidence& evidence, double cycle_deg);

}  // namespace cw
