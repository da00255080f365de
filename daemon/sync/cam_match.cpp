#include "sync/cam_match.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

#include "geometry/angle.hpp"

namespace cw {

namespace {

// Between neighbouring edges of the pattern; the cycle when there is one only.
double nearest_distance_deg(const CamPattern& pattern, double cycle_deg) {
  double nearest = cycle_deg;
  const std::size_t count = pattern.edges.size();
  for (std::size_t i = 0; i + 1 < count; ++i) {
    nearest = std::min(nearest, pattern.edges[i + 1].angle_deg - pattern.edges[i].angle_deg);
  }
  if (count > 1) {
    nearest = std::min(nearest, pattern.edges.front().angle_deg + cycle_deg - pattern.edges.back().angle_deg);
  }
  return nearest;
}

// The expected edge of its polarity that an edge is nearest to, and by how much it misses that.
struct NearestExpected {
  double at_deg = 0;  // on the scale of the edges, the shift included
  double miss_deg = 0;
};

std::optional<NearestExpected> nearest_expected(const CamPattern& pattern, double cycle_deg, const LocatedEdge& edge,
                                                double shift_deg) {
  std::optional<NearestExpected> nearest;
  const double in_cycle_deg = wrap_signed_deg(edge.angle_deg - shift_deg, cycle_deg);
  for (const CamEdge& expected : pattern.edges) {
    if (expected.edge == edge.edge) {
      // Expected angles are in [0, cycle), so this is at most one cycle out.
      const double away_deg = in_cycle_deg - expected.angle_deg;
      const double miss_deg = away_deg < -cycle_deg / 2 ? away_deg + cycle_deg : away_deg;
      if (!nearest || std::fabs(miss_deg) < std::fabs(nearest->miss_deg)) {
        nearest = NearestExpected{edge.angle_deg - miss_deg, miss_deg};
      }
    }
  }
  return nearest;
}

// An expected edge is one edge: where two are nearest to it, the nearer is it, and of two as near the earlier.
bool another_is_it(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> edges, std::size_t index,
                   const NearestExpected& expected, double shift_deg) {
  constexpr double same_deg = 0.01;
  const double miss_deg = std::fabs(expected.miss_deg);
  for (std::size_t i = 0; i < edges.size(); ++i) {
    const double other_deg = std::fabs(edges[i].angle_deg - expected.at_deg);
    const bool nearer = other_deg < miss_deg || (i < index && other_deg <= miss_deg);
    if (nearer && i != index && edges[i].edge == edges[index].edge) {
      const std::optional<NearestExpected> of_other = nearest_expected(pattern, cycle_deg, edges[i], shift_deg);
      if (of_other && std::fabs(of_other->at_deg - expected.at_deg) < same_deg) {
        return true;
      }
    }
  }
  return false;
}

bool has_edge_near(std::span<const LocatedEdge> edges, ActiveEdge polarity, double angle_deg, double scatter_deg) {
  return std::any_of(edges.begin(), edges.end(), [&](const LocatedEdge& edge) {
    return edge.edge == polarity && std::fabs(edge.angle_deg - angle_deg) <= scatter_deg + edge.uncertainty_deg;
  });
}

void find_missing(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> edges, AngleSpan span,
                  double shift_deg, double scatter_deg, CamMatch& match) {
  for (const CamEdge& expected : pattern.edges) {
    const double first = span.from_deg + scatter_deg;
    double angle = first + wrap_deg(expected.angle_deg + shift_deg - first, cycle_deg);
    while (angle + scatter_deg < span.to_deg) {
      if (!has_edge_near(edges, expected.edge, angle, scatter_deg)) {
        match.missing_deg.push_back(angle);
      }
      angle += cycle_deg;
    }
  }
}

CamMatch match_at(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> edges, AngleSpan span,
                  double shift_deg, double scatter_deg) {
  CamMatch match;
  double sum_deg = 0;
  double sum_weight = 0;
  for (std::size_t i = 0; i < edges.size(); ++i) {
    const LocatedEdge& edge = edges[i];
    const std::optional<NearestExpected> nearest = nearest_expected(pattern, cycle_deg, edge, shift_deg);
    if (nearest && std::fabs(nearest->miss_deg) <= scatter_deg + edge.uncertainty_deg &&
        !another_is_it(pattern, cycle_deg, edges, i, *nearest, shift_deg)) {
      constexpr double floor_deg = 0.05;
      const double weight = 1 / (floor_deg * floor_deg + edge.uncertainty_deg * edge.uncertainty_deg);
      ++match.matched;
      sum_deg += weight * nearest->miss_deg;
      sum_weight += weight;
    } else {
      match.surplus.push_back(edge);
    }
  }
  if (match.matched > 0) {
    match.shift_deg = shift_deg + sum_deg / sum_weight;
    match.uncertainty_deg = std::sqrt(match.matched / sum_weight);
  }
  find_missing(pattern, cycle_deg, edges, span, shift_deg, scatter_deg, match);
  std::sort(match.missing_deg.begin(), match.missing_deg.end());
  if (match.matched > 0) {
    // Where the others would have it, not the shift that was tried.
    std::for_each(match.missing_deg.begin(), match.missing_deg.end(),
                  [&](double& angle_deg) { angle_deg += match.shift_deg - shift_deg; });
  }
  return match;
}

// Expected edges of the span in order, the shift included.
std::vector<LocatedEdge> expected_in(const CamPattern& pattern, double cycle_deg, AngleSpan span, double shift_deg) {
  std::vector<LocatedEdge> expected;
  for (const CamEdge& edge : pattern.edges) {
    double angle = span.from_deg + wrap_deg(edge.angle_deg + shift_deg - span.from_deg, cycle_deg);
    while (angle < span.to_deg) {
      expected.push_back({angle, 0, edge.edge, 0});
      angle += cycle_deg;
    }
  }
  std::sort(expected.begin(), expected.end(),
            [](const LocatedEdge& a, const LocatedEdge& b) { return a.angle_deg < b.angle_deg; });
  return expected;
}

// Shift of the edge nearest to where `expected` would be with the shift of the edge before; nothing when none is near
// enough to be this one rather than its neighbour.
std::optional<std::size_t> nearest_free(std::span<const LocatedEdge> edges, const std::vector<bool>& used,
                                        const LocatedEdge& expected, double drift_deg, double reach_deg) {
  std::optional<std::size_t> nearest;
  double nearest_deg = reach_deg;
  for (std::size_t i = 0; i < edges.size(); ++i) {
    const double away = std::fabs(edges[i].angle_deg - expected.angle_deg - drift_deg);
    if (!used[i] && edges[i].edge == expected.edge && away <= nearest_deg) {
      nearest = i;
      nearest_deg = away;
    }
  }
  return nearest;
}

// For a phased cam that moves while the span goes by: each edge is looked for from the shift of the one before.
CamMatch match_moving(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> edges, AngleSpan span,
                      double usual_deg, const ShiftRange& allowed) {
  const double reach_deg = 0.45 * nearest_distance_deg(pattern, cycle_deg);
  CamMatch match;
  std::vector<bool> used(edges.size(), false);
  double drift_deg = 0;
  double sum_deg = 0;
  for (const LocatedEdge& expected : expected_in(pattern, cycle_deg, span, usual_deg)) {
    const std::optional<std::size_t> found = nearest_free(edges, used, expected, drift_deg, reach_deg);
    const double shift = found ? edges[*found].angle_deg - expected.angle_deg + usual_deg : 0;
    if (found && shift >= allowed.least_deg && shift <= allowed.most_deg) {
      used[*found] = true;
      drift_deg = shift - usual_deg;
      sum_deg += shift;
      match.uncertainty_deg = std::max(match.uncertainty_deg, edges[*found].uncertainty_deg);
      ++match.matched;
    } else if (expected.angle_deg + drift_deg + pattern.tolerance_deg < span.to_deg &&
               expected.angle_deg + drift_deg - pattern.tolerance_deg > span.from_deg) {
      match.missing_deg.push_back(expected.angle_deg + drift_deg);
    }
  }
  for (std::size_t i = 0; i < edges.size(); ++i) {
    if (!used[i]) {
      match.surplus.push_back(edges[i]);
    }
  }
  match.shift_deg = match.matched > 0 ? sum_deg / match.matched : 0;
  return match;
}

// Where a phaser may have the cam: where the file says, and as far as it travels from where the cam was last found, for a
// drive that has jumped takes the travel with it.
ShiftRange within_travel(const CamPattern& pattern, const ShiftRange& shifts) {
  ShiftRange allowed = allowed_shifts(pattern, 0);
  if (shifts.found) {
    const double reach_deg = pattern.phaser_max_deg - pattern.phaser_min_deg + pattern.tolerance_deg;
    allowed.least_deg = std::max(shifts.least_deg, std::min(allowed.least_deg, shifts.usual_deg - reach_deg));
    allowed.most_deg = std::min(shifts.most_deg, std::max(allowed.most_deg, shifts.usual_deg + reach_deg));
  }
  return allowed;
}

// The same from the given shifts, and from each that lays the first edge on an expected one within the cam's travel.
CamMatch match_moving_from_any(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> edges,
                               AngleSpan span, std::vector<double> start_deg, const ShiftRange& allowed) {
  for (const CamEdge& expected : pattern.edges) {
    const double shift = edges.empty() ? 0 : wrap_signed_deg(edges.front().angle_deg - expected.angle_deg, cycle_deg);
    if (!edges.empty() && shift >= allowed.least_deg && shift <= allowed.most_deg) {
      start_deg.push_back(shift);
    }
  }
  CamMatch best = match_moving(pattern, cycle_deg, edges, span, start_deg.front(), allowed);
  for (std::size_t i = 1; i < start_deg.size(); ++i) {
    CamMatch match = match_moving(pattern, cycle_deg, edges, span, start_deg[i], allowed);
    if (match.mismatches() < best.mismatches()) {
      best = std::move(match);
    }
  }
  return best;
}

bool better(const CamMatch& a, const CamMatch& b, double usual_deg) {
  if (a.mismatches() != b.mismatches()) {
    return a.mismatches() < b.mismatches();
  }
  if (a.matched != b.matched) {
    return a.matched > b.matched;
  }
  return std::fabs(a.shift_deg - usual_deg) < std::fabs(b.shift_deg - usual_deg);
}

// So many edges that they are not this cam's: noise, or another signal on its channel. No shift is sought in them.
bool is_flood(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> edges, AngleSpan span) {
  constexpr double times_expected = 4;
  constexpr double some = 8;
  const double cycles = (span.to_deg - span.from_deg) / cycle_deg;
  return static_cast<double>(edges.size()) > some + times_expected * cycles * static_cast<double>(pattern.edges.size());
}

// What one cam says of one place.
struct PlaceFit {
  bool fits = false;
  std::size_t surplus = 0;  // edges that match nothing there, or only with the cam elsewhere than known
};

std::vector<PlaceFit> place_fits(const CamEdges& cam, double cycle_deg, double turn_deg, int places, AngleSpan span,
                                 double extra_shift_deg) {
  std::vector<PlaceFit> fits;
  std::vector<LocatedEdge> moved(cam.edges.begin(), cam.edges.end());
  const ShiftRange shifts = cam.known_shift_deg ? ShiftRange{*cam.known_shift_deg - cam.slack_deg,
                                                             *cam.known_shift_deg + cam.slack_deg, *cam.known_shift_deg}
                                                : allowed_shifts(*cam.pattern, extra_shift_deg);
  for (int place = 0; place < places; ++place) {
    const double on_deg = place * turn_deg;
    for (std::size_t i = 0; i < moved.size(); ++i) {
      moved[i].angle_deg = cam.edges[i].angle_deg + on_deg;
    }
    const CamMatch match =
        match_cam(*cam.pattern, cycle_deg, moved, {span.from_deg + on_deg, span.to_deg + on_deg}, shifts);
    const bool elsewhere = cam.known_shift_deg &&
                           std::fabs(match.shift_deg - *cam.known_shift_deg) > cam.slack_deg + match.uncertainty_deg;
    const std::size_t astray = match.surplus.size() + (elsewhere ? static_cast<std::size_t>(match.matched) : 0);
    fits.push_back({match.mismatches() == 0 && match.matched > 0 && !elsewhere, astray});
  }
  return fits;
}

}  // namespace

double edge_scatter_deg(const CamPattern& pattern, double cycle_deg) {
  return std::min(pattern.tolerance_deg, nearest_distance_deg(pattern, cycle_deg) / 3);
}

ShiftRange allowed_shifts(const CamPattern& pattern, double extra_deg) {
  const double slack = pattern.tolerance_deg + extra_deg;
  return {pattern.phaser_min_deg - slack, pattern.phaser_max_deg + slack, 0};
}

CamMatch match_cam(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> edges, AngleSpan span,
                   const ShiftRange& shifts) {
  const double scatter_deg = edge_scatter_deg(pattern, cycle_deg);
  const double usual = std::clamp(shifts.usual_deg, shifts.least_deg, shifts.most_deg);
  CamMatch best = match_at(pattern, cycle_deg, edges, span, usual, scatter_deg);
  if (best.mismatches() == 0 || is_flood(pattern, cycle_deg, edges, span)) {
    return best;
  }
  // Scatter is about the common shift: an edge may as well be the earliest or the latest that still belongs to it.
  const std::array<double, 3> from_edge_deg = {0, scatter_deg, -scatter_deg};
  const auto tried = std::span(from_edge_deg).first(shifts.found ? 3 : 1);
  for (const LocatedEdge& edge : edges) {
    for (const CamEdge& expected : pattern.edges) {
      for (const double from_deg : tried) {
        const double shift = wrap_signed_deg(edge.angle_deg - expected.angle_deg, cycle_deg) + from_deg;
        if (expected.edge != edge.edge || shift < shifts.least_deg || shift > shifts.most_deg) {
          continue;
        }
        CamMatch match = match_at(pattern, cycle_deg, edges, span, shift, scatter_deg);
        if (better(match, best, usual)) {
          best = std::move(match);
        }
      }
    }
  }
  const bool phased = pattern.phaser_min_deg < pattern.phaser_max_deg;
  if (phased && best.mismatches() > 0) {
    CamMatch moving =
        match_moving_from_any(pattern, cycle_deg, edges, span, {usual, best.shift_deg}, within_travel(pattern, shifts));
    if (moving.mismatches() < best.mismatches()) {
      return moving;
    }
  }
  return best;
}

std::vector<int> places_left(std::span<const CamEdges> cams, double cycle_deg, double turn_deg, int places,
                             AngleSpan span, double extra_shift_deg) {
  constexpr std::size_t contradictions_min = 2;
  bool any_usable = false;
  std::vector<bool> fits_all(static_cast<std::size_t>(places), true);
  std::vector<std::size_t> contradictions(static_cast<std::size_t>(places), 0);
  for (const CamEdges& cam : cams) {
    if (is_flood(*cam.pattern, cycle_deg, cam.edges, span)) {
      continue;
    }
    const std::vector<PlaceFit> fits = place_fits(cam, cycle_deg, turn_deg, places, span, extra_shift_deg);
    if (std::none_of(fits.begin(), fits.end(), [](const PlaceFit& fit) { return fit.fits; })) {
      continue;
    }
    any_usable = true;
    for (std::size_t place = 0; place < fits.size(); ++place) {
      fits_all[place] = fits_all[place] && fits[place].fits;
      contradictions[place] += fits[place].fits ? 0 : fits[place].surplus;
    }
  }
  std::vector<int> left;
  for (std::size_t place = 0; place < fits_all.size() && any_usable; ++place) {
    if (fits_all[place]) {
      left.push_back(static_cast<int>(place));
    } else if (contradictions[place] < contradictions_min) {
      return {};
    }
  }
  return left;
}

}  // namespace cw
