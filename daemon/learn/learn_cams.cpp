#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"
#include "learn/learn_parts.hpp"

namespace cw::learn {

namespace {

constexpr std::size_t cam_edges_most = 48;

std::vector<double> ahead_of(const WheelInCycle& wheel) {
  std::vector<double> ahead;
  const double fold_per_crank = deg_per_rev / wheel.cycle_deg;
  for (std::size_t i = 0; i < wheel.angle_deg.size(); ++i) {
    ahead.push_back(wheel.angle_deg[i] * fold_per_crank - wheel.fold.at_deg[i]);
  }
  return ahead;
}

double mean_scatter(const std::vector<FoundEdge>& edges) {
  double sum = 0;
  for (const FoundEdge& edge : edges) {
    sum += edge.scatter_deg;
  }
  return edges.empty() ? 0 : sum / static_cast<double>(edges.size());
}

// Whether the second half of the edges repeats the first half a turn later.
bool repeats_each_turn(const std::vector<FoundEdge>& edges, double cycle_deg) {
  const std::size_t half = edges.size() / 2;
  if (edges.size() % 2 != 0 || edges.empty()) {
    return false;
  }
  for (std::size_t i = 0; i < half; ++i) {
    const double off = wrap_signed_deg(edges[i + half].angle_deg - edges[i].angle_deg - cycle_deg / 2, cycle_deg);
    const double doubt = std::hypot(edges[i].uncertain_deg, edges[i + half].uncertain_deg);
    if (std::fabs(off) > 2 + doubt) {
      return false;
    }
  }
  return true;
}

// Widest time at one level: a half-moon has two long ones.
bool is_half_moon(const std::vector<FoundEdge>& rising, const std::vector<FoundEdge>& falling, double cycle_deg) {
  if (rising.size() != 1 || falling.size() != 1) {
    return false;
  }
  constexpr double long_share = 0.2;
  const double high = wrap_deg(falling.front().angle_deg - rising.front().angle_deg, cycle_deg);
  return std::min(high, cycle_deg - high) > long_share * cycle_deg;
}

}  // namespace

Locator::Locator(const WheelInCycle& wheel)
    : wheel_(wheel), ahead_deg_(ahead_of(wheel)), turning_(wheel.fold.at_deg, wheel.turning) {}

// Fold degrees from the fold's first edge.
SmoothTurning::Estimate Locator::place(double at_deg) const {
  if (wheel_.flanks) {
    return wheel_.flanks->place(at_deg, wheel_.reference_tooth);
  }
  SmoothTurning::Estimate estimate = turning_.at(at_deg, ahead_deg_);
  estimate.ahead_deg += at_deg;
  // The teeth of a list stand no surer than ripple lets one tell: the nearest one's doubt is the edge's too.
  constexpr double sigmas = 2;
  const auto next = std::upper_bound(wheel_.fold.at_deg.begin(), wheel_.fold.at_deg.end(), at_deg);
  const auto tooth = static_cast<std::size_t>(std::max<std::ptrdiff_t>(0, next - wheel_.fold.at_deg.begin() - 1));
  const double of_wheel_deg = wheel_.uncertain_deg[tooth % wheel_.uncertain_deg.size()];
  estimate.sd_deg = std::hypot(estimate.sd_deg, of_wheel_deg / sigmas * deg_per_rev / wheel_.cycle_deg);
  return estimate;
}

FoundEdge Locator::locate(const PlacedEdge& edge) const {
  constexpr double sigmas = 2;
  const double crank_per_fold = wheel_.cycle_deg / deg_per_rev;
  const SmoothTurning::Estimate at = place(edge.at_deg);
  const double mean_sd = edge.scatter_deg / std::sqrt(static_cast<double>(wheel_.fold.starts.size()));
  FoundEdge found;
  found.angle_deg = wrap_deg(at.ahead_deg * crank_per_fold - wheel_.reference_deg, wheel_.cycle_deg);
  found.uncertain_deg = sigmas * crank_per_fold * std::hypot(at.sd_deg, mean_sd);
  found.scatter_deg = edge.scatter_deg * crank_per_fold;
  return found;
}

std::vector<FoundEdge> locate_edges(const WheelInCycle& wheel, std::span<const std::int64_t> t_ns, ActiveEdge edge) {
  const auto placed = place_edges(t_ns, wheel.t_ns, wheel.fold, cam_edges_most);
  std::vector<FoundEdge> found;
  if (!placed) {
    return found;
  }
  const Locator locator(wheel);
  for (const PlacedEdge& one : *placed) {
    found.push_back(locator.locate(one));
    found.back().edge = edge;
  }
  std::sort(found.begin(), found.end(),
            [](const FoundEdge& a, const FoundEdge& b) { return a.angle_deg < b.angle_deg; });
  return found;
}

std::optional<FoundCam> find_cam(const WheelInCycle& wheel, const Channel& channel) {
  constexpr double steadier = 1.5;
  constexpr double small_deg = 0.05;
  std::vector<FoundEdge> rising = locate_edges(wheel, channel.rising_ns, ActiveEdge::rising);
  std::vector<FoundEdge> falling = locate_edges(wheel, channel.falling_ns, ActiveEdge::falling);
  if (rising.empty() && falling.empty()) {
    return std::nullopt;
  }
  FoundCam cam;
  cam.channel = channel.name;
  if (is_half_moon(rising, falling, wheel.cycle_deg)) {
    cam.both_edges = true;
    cam.edges = rising;
    cam.edges.insert(cam.edges.end(), falling.begin(), falling.end());
    std::sort(cam.edges.begin(), cam.edges.end(),
              [](const FoundEdge& a, const FoundEdge& b) { return a.angle_deg < b.angle_deg; });
    return cam;
  }
  const double by_rising = mean_scatter(rising) + small_deg;
  const double by_falling = mean_scatter(falling) + small_deg;
  const bool take_rising = falling.empty() || (!rising.empty() && by_falling > steadier * by_rising);
  cam.edge_by_choice = !rising.empty() && !falling.empty() && !take_rising && by_rising < steadier * by_falling;
  cam.edges = take_rising ? rising : falling;
  cam.index = wheel.cycle_deg > deg_per_rev && repeats_each_turn(cam.edges, wheel.cycle_deg);
  return cam;
}

std::optional<FoundReference> find_reference(const WheelInCycle& wheel, const Channel& channel, const Known& known) {
  const std::vector<FoundEdge> rising = locate_edges(wheel, channel.rising_ns, ActiveEdge::rising);
  const std::vector<FoundEdge> falling = locate_edges(wheel, channel.falling_ns, ActiveEdge::falling);
  const bool falls = known.reference_edge ? *known.reference_edge == ActiveEdge::falling
                                          : rising.empty() || mean_scatter(falling) <= mean_scatter(rising);
  const std::vector<FoundEdge>& edges = falls ? falling : rising;
  if (edges.empty() || edges.size() > 2 || (edges.size() == 2 && !repeats_each_turn(edges, wheel.cycle_deg))) {
    return std::nullopt;
  }
  FoundReference found;
  found.channel = channel.name;
  found.edge = falls ? ActiveEdge::falling : ActiveEdge::rising;
  found.period_deg = wheel.cycle_deg / static_cast<double>(edges.size());
  found.at = edges.front();
  return found;
}

}  // namespace cw::learn
