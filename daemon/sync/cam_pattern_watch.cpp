#include "sync/cam_pattern_watch.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr int steady_cycles = 6;
constexpr std::int64_t steady_ns = 3'000'000'000;
// More edges a cycle than any cam has; then they are noise, or another signal.
constexpr std::size_t rows_max = 256;

ActiveEdge opposite(ActiveEdge edge) {
  return edge == ActiveEdge::falling ? ActiveEdge::rising : ActiveEdge::falling;
}

CamPattern with_polarity(CamPattern pattern, ActiveEdge polarity) {
  for (CamEdge& edge : pattern.edges) {
    edge.edge = polarity;
  }
  return pattern;
}

// Of a phased cam that moves, the edges of a cycle do not share one shift.
double slack_deg(const CamPattern& pattern, double cycle_deg) {
  return edge_scatter_deg(pattern, cycle_deg) * (pattern.fixed() ? 1 : 2);
}

// How many edges find an expected one of their own, the pattern turned by `rotated_deg`.
std::size_t matched_at(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> seen,
                       double rotated_deg) {
  const double slack = slack_deg(pattern, cycle_deg);
  std::vector<bool> used(pattern.edges.size(), false);
  std::size_t matched = 0;
  for (const LocatedEdge& edge : seen) {
    std::size_t nearest = pattern.edges.size();
    double nearest_deg = slack + edge.uncertainty_deg;
    for (std::size_t i = 0; i < pattern.edges.size(); ++i) {
      const double off = edge.angle_deg - rotated_deg - pattern.edges[i].angle_deg;
      const double away = std::fabs(wrap_signed_deg(off, cycle_deg));
      if (!used[i] && pattern.edges[i].edge == edge.edge && away <= nearest_deg) {
        nearest = i;
        nearest_deg = away;
      }
    }
    if (nearest < pattern.edges.size()) {
      used[nearest] = true;
      ++matched;
    }
  }
  return matched;
}

// By how much a rotation lies beyond the file's shifts at the place that suits it best; 0 = within.
double beyond_shifts_deg(const CamPattern& pattern, double cycle_deg, double rotated_deg, const OpenPlaces& places) {
  const ShiftRange allowed = allowed_shifts(pattern, 0);
  const double middle = (allowed.least_deg + allowed.most_deg) / 2;
  const double half = (allowed.most_deg - allowed.least_deg) / 2;
  double least = cycle_deg;
  for (int k = 0; k < places.count; ++k) {
    const double shift = rotated_deg + (places.first + k) * places.turn_deg - middle;
    least = std::min(least, std::max(0.0, std::fabs(wrap_signed_deg(shift, cycle_deg)) - half));
  }
  return least;
}

// One edge missing or too many. Where few others are left to tell, these must stand in their usual place.
bool is_nearly(std::size_t matched, std::size_t seen, std::size_t expected, double beyond_deg) {
  constexpr std::size_t telling_edges = 3;
  const bool one_off = matched == std::min(seen, expected) && std::max(seen, expected) == matched + 1;
  return one_off && beyond_deg <= (std::max(seen, expected) > telling_edges ? belt_jump_deg_max : 0);
}

}  // namespace

CyclePattern compare_cycle(const CamPattern& pattern, double cycle_deg, std::span<const LocatedEdge> seen,
                           const OpenPlaces& places) {
  CyclePattern best;
  double best_beyond = cycle_deg;
  for (const LocatedEdge& edge : seen) {
    for (const CamEdge& expected : pattern.edges) {
      if (edge.edge != expected.edge) {
        continue;
      }
      const double rotated = edge.angle_deg - expected.angle_deg;
      const std::size_t matched = matched_at(pattern, cycle_deg, seen, rotated);
      const double beyond =
          std::max(0.0, beyond_shifts_deg(pattern, cycle_deg, rotated, places) - edge.uncertainty_deg);
      CyclePattern now;
      if (matched == seen.size() && matched == pattern.edges.size()) {
        now.fit = beyond <= 0                   ? CyclePatternFit::fits
                  : beyond <= belt_jump_deg_max ? CyclePatternFit::shifted
                                                : CyclePatternFit::turned;
        now.rotated_deg = wrap_signed_deg(rotated, cycle_deg);
      } else if (is_nearly(matched, seen.size(), pattern.edges.size(), beyond)) {
        now.fit = CyclePatternFit::nearly;
      }
      if (now.fit < best.fit || (now.fit == best.fit && beyond < best_beyond)) {
        best = now;
        best_beyond = beyond;
      }
    }
  }
  return best;
}

void EdgeRows::begin() {
  rows_.clear();
  broken_deg_ = -std::numeric_limits<double>::max();
}

void EdgeRows::add(const LocatedEdge& edge) {
  Row row{edge, 1, edge.t_ns, false};
  Row* nearest = nullptr;
  double nearest_deg = cycle_deg_;
  for (Row& before : rows_) {
    const double away = std::fabs(edge.angle_deg - cycle_deg_ - before.edge.angle_deg);
    const bool near = away <= partner_deg_ + edge.uncertainty_deg + before.edge.uncertainty_deg;
    if (!before.continued && before.edge.edge == edge.edge && near && away < nearest_deg) {
      nearest = &before;
      nearest_deg = away;
    }
  }
  if (nearest != nullptr) {
    nearest->continued = true;
    row.cycles = nearest->cycles + 1;
    row.since_ns = nearest->since_ns;
  }
  rows_.push_back(row);
  if (rows_.size() > rows_max) {
    begin();
  }
}

std::vector<LocatedEdge> EdgeRows::steady(double here_deg) {
  const auto overdue = [&](const Row& row) {
    return row.edge.angle_deg + cycle_deg_ + 2 * partner_deg_ + 2 * row.edge.uncertainty_deg < here_deg;
  };
  for (const Row& row : rows_) {
    if (overdue(row) && !row.continued) {
      broken_deg_ = std::max(broken_deg_, row.edge.angle_deg);
    }
  }
  std::erase_if(rows_, overdue);
  std::vector<LocatedEdge> seen;
  for (const Row& row : rows_) {
    if (row.continued) {
      continue;
    }
    const double known_deg = partner_deg_ / 2;
    if (row.cycles < steady_cycles || row.edge.t_ns - row.since_ns < steady_ns ||
        row.edge.uncertainty_deg > known_deg) {
      return {};
    }
    seen.push_back(row.edge);
  }
  return broken_deg_ > here_deg - steady_cycles * cycle_deg_ ? std::vector<LocatedEdge>{} : seen;
}

CamPatternWatch::CamPatternWatch(const Engine& engine) : engine_(engine) {
  for (const CamPattern& pattern : engine.cams) {
    const EdgeRows rows(engine.cycle_deg, pattern.tolerance_deg);
    cams_.push_back({rows, rows, false, 0, std::nullopt});
  }
}

void CamPatternWatch::begin() {
  for (Cam& cam : cams_) {
    cam.listed.begin();
    cam.other.begin();
    cam.settled = false;
    cam.against = 0;
  }
}

void CamPatternWatch::forget() {
  begin();
  for (Cam& cam : cams_) {
    cam.told.reset();
  }
}

void CamPatternWatch::add(std::size_t cam, const LocatedEdge& edge, bool listed) {
  (listed ? cams_[cam].listed : cams_[cam].other).add(edge);
}

std::optional<CamPatternOpinion> CamPatternWatch::look(std::size_t index, double here_deg, const OpenPlaces& places) {
  Cam& cam = cams_[index];
  const CamPattern& pattern = engine_.cams[index];
  const std::vector<LocatedEdge> seen = cam.listed.steady(here_deg);
  const std::vector<LocatedEdge> others = cam.other.steady(here_deg);
  if (seen.empty()) {
    return std::nullopt;
  }
  const CyclePattern compared = compare_cycle(pattern, engine_.cycle_deg, seen, places);
  cam.settled = compared.fit == CyclePatternFit::fits || compared.fit == CyclePatternFit::shifted;
  const bool against = compared.fit == CyclePatternFit::different || compared.fit == CyclePatternFit::turned;
  cam.against = against ? cam.against + 1 : 0;
  // The edges of the other polarity may be a cycle behind in coming steadily.
  constexpr int looks_against = 2;
  const bool tells = against ? cam.against >= looks_against : cam.settled && cam.told;
  if (!tells) {
    return std::nullopt;
  }
  CamPatternOpinion opinion;
  opinion.cam = index;
  opinion.t_ns = seen.back().t_ns;
  if (!cam.settled) {
    const bool turned = compared.fit == CyclePatternFit::turned;
    opinion.verdict = turned ? CamPatternVerdict::turned : CamPatternVerdict::other_pattern;
    opinion.rotated_deg = turned ? std::optional(compared.rotated_deg) : std::nullopt;
    const CamPattern flipped = with_polarity(pattern, opposite(pattern.edges.front().edge));
    if (!pattern.lists_both_edges() &&
        compare_cycle(flipped, engine_.cycle_deg, others, places).fit == CyclePatternFit::fits) {
      opinion.verdict = CamPatternVerdict::other_edge;
      opinion.rotated_deg.reset();
    }
  }
  if (cam.told == opinion.verdict) {
    return std::nullopt;
  }
  cam.told = cam.settled ? std::nullopt : std::optional(opinion.verdict);
  for (const LocatedEdge& edge : seen) {
    opinion.seen.push_back({wrap_deg(edge.angle_deg + places.first * places.turn_deg, engine_.cycle_deg), edge.edge});
  }
  std::sort(opinion.seen.begin(), opinion.seen.end(),
            [](const CamEdge& a, const CamEdge& b) { return a.angle_deg < b.angle_deg; });
  return opinion;
}

}  // namespace cw
