#include "geometry/cam_evidence.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw {

namespace {

// Angles that differ by less are the same.
constexpr double same_deg = 1e-6;

// Two windows of the cam meet when their parked edges are no farther apart than this.
double reach_deg(const CamPattern& cam) {
  return cam.phaser_max_deg - cam.phaser_min_deg + 2 * cam.tolerance_deg;
}

bool is_whole_turn(double shift_deg) {
  return std::fabs(wrap_signed_deg(shift_deg, deg_per_rev)) < same_deg;
}

// The edge of the same polarity whose window meets that of edge `index` when the cycle is taken to stand `shift_deg`
// further on; the nearest of several.
std::optional<std::size_t> confusable(const CamPattern& cam, std::size_t index, double shift_deg, double cycle_deg) {
  std::optional<std::size_t> nearest;
  double nearest_deg = reach_deg(cam) + same_deg;
  for (std::size_t j = 0; j < cam.edges.size(); ++j) {
    const double apart_deg =
        std::fabs(wrap_signed_deg(cam.edges[index].angle_deg + shift_deg - cam.edges[j].angle_deg, cycle_deg));
    if (cam.edges[j].edge == cam.edges[index].edge && apart_deg < nearest_deg) {
      nearest = j;
      nearest_deg = apart_deg;
    }
  }
  return nearest;
}

// Whether edge i could be edge i + rotation of the pattern `shift_deg` further on, for all i under one phase: the
// phaser moves all edges of a cam together, only the tolerances are each edge's own.
bool fits_rotated(const CamPattern& cam, std::size_t rotation, double shift_deg, double cycle_deg) {
  double least_deg = cycle_deg;
  double greatest_deg = -cycle_deg;
  for (std::size_t i = 0; i < cam.edges.size(); ++i) {
    const CamEdge& seen = cam.edges[i];
    const CamEdge& taken = cam.edges[(i + rotation) % cam.edges.size()];
    if (seen.edge != taken.edge) {
      return false;
    }
    const double moved_deg = wrap_signed_deg(taken.angle_deg - seen.angle_deg - shift_deg, cycle_deg);
    least_deg = std::min(least_deg, moved_deg);
    greatest_deg = std::max(greatest_deg, moved_deg);
  }
  const double reach = reach_deg(cam) + same_deg;
  return greatest_deg - least_deg <= 4 * cam.tolerance_deg + same_deg && least_deg >= -reach && greatest_deg <= reach;
}

bool pattern_fits(const CamPattern& cam, double shift_deg, double cycle_deg) {
  if (cam.edges.empty() || reach_deg(cam) >= cycle_deg / 2) {
    return true;  // an edge may be anywhere
  }
  for (std::size_t rotation = 0; rotation < cam.edges.size(); ++rotation) {
    if (fits_rotated(cam, rotation, shift_deg, cycle_deg)) {
      return true;
    }
  }
  return false;
}

bool overlaps_next(const CamPattern& cam, std::size_t index, double cycle_deg) {
  for (std::size_t step = 1; step < cam.edges.size(); ++step) {
    const CamEdge& next = cam.edges[(index + step) % cam.edges.size()];
    if (next.edge == cam.edges[index].edge) {
      return wrap_deg(next.angle_deg - cam.edges[index].angle_deg, cycle_deg) <= reach_deg(cam);
    }
  }
  return false;
}

CamEvidence cam_evidence(const CamPattern& cam, const std::vector<double>& shifts_deg, double cycle_deg) {
  CamEvidence evidence;
  evidence.pattern_decides_turn = std::none_of(shifts_deg.begin(), shifts_deg.end(), [&](double shift_deg) {
    return is_whole_turn(shift_deg) && pattern_fits(cam, shift_deg, cycle_deg);
  });
  evidence.pattern_decides_place = std::none_of(
      shifts_deg.begin(), shifts_deg.end(), [&](double shift_deg) { return pattern_fits(cam, shift_deg, cycle_deg); });
  for (std::size_t i = 0; i < cam.edges.size(); ++i) {
    CamEdgeEvidence edge{true, true, std::nullopt, overlaps_next(cam, i, cycle_deg)};
    for (const double shift_deg : shifts_deg) {
      const std::optional<std::size_t> other = confusable(cam, i, shift_deg, cycle_deg);
      edge.decides_place = edge.decides_place && !other;
      if (other && is_whole_turn(shift_deg)) {
        edge.decides_turn = false;
        edge.confused_with = other;
      }
    }
    evidence.edges.push_back(edge);
  }
  return evidence;
}

}  // namespace

PositionEvidence position_evidence(const Engine& engine) {
  PositionEvidence evidence;
  evidence.places = tooth_cycle(engine).places();
  std::vector<double> shifts_deg;
  for (int place = 1; place < evidence.places; ++place) {
    shifts_deg.push_back(place * engine.cycle_deg / evidence.places);
  }
  for (const CamPattern& cam : engine.cams) {
    evidence.cams.push_back(cam_evidence(cam, shifts_deg, engine.cycle_deg));
  }
  evidence.left_deg.push_back(0);
  for (const double shift_deg : shifts_deg) {
    const bool fits_all = std::all_of(engine.cams.begin(), engine.cams.end(), [&](const CamPattern& cam) {
      return pattern_fits(cam, shift_deg, engine.cycle_deg);
    });
    if (fits_all) {
      evidence.left_deg.push_back(shift_deg);
    }
  }
  return evidence;
}

std::optional<double> known_within_deg(const PositionEvidence& evidence, double cycle_deg) {
  if (evidence.left_deg.size() == 1) {
    return cycle_deg;
  }
  const bool turns_only = std::all_of(evidence.left_deg.begin(), evidence.left_deg.end(), is_whole_turn);
  return turns_only ? std::optional<double>(deg_per_rev) : std::nullopt;
}

}  // namespace cw
