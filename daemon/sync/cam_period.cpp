#include "sync/cam_period.hpp"

#include <cmath>

#include "geometry/angle.hpp"

namespace cw {

CamPeriod::CamPeriod(const Engine& engine, double pitch_deg) : pitch_deg_(pitch_deg) {
  for (const CamPattern& cam : engine.cams) {
    const double turn_deg = cam.turns_with_crank ? deg_per_rev : engine.cycle_deg;
    file_teeth_.push_back(static_cast<int>(std::lround(turn_deg / pitch_deg)));
    edges_a_turn_.push_back(cam.edges.size() / (cam.turns_with_crank ? 2 : 1));
  }
  forget();
}

void CamPeriod::begin() {
  cams_.assign(edges_a_turn_.size(), Cam{});
}

void CamPeriod::forget() {
  begin();
  told_ = false;
}

// A cam that always lacks one of its edges, or has one too many, seems to turn at another rate.
bool CamPeriod::could_be_odd_edges(std::size_t cam) const {
  const auto n = static_cast<double>(edges_a_turn_[cam]);
  const double turns = static_cast<double>(cams_[cam].teeth) / file_teeth_[cam];
  constexpr double same = 0.02;
  return (n > 1 && std::fabs(turns - n / (n - 1)) < same) || std::fabs(turns - n / (n + 1)) < same;
}

std::optional<int> CamPeriod::cam_edge(std::size_t cam, double angle_deg) {
  constexpr int agreeing_turns = 12;
  constexpr double whole = 0.3;  // of a pitch
  Cam& seen = cams_[cam];
  seen.last_deg.push_back(angle_deg);
  if (seen.last_deg.size() <= edges_a_turn_[cam] || told_) {
    return std::nullopt;
  }
  const double pitches = (angle_deg - seen.last_deg.front()) / pitch_deg_;
  seen.last_deg.pop_front();
  const int teeth = static_cast<int>(std::lround(pitches));
  const bool same = teeth == seen.teeth && std::fabs(pitches - teeth) < whole;
  seen.agreeing = same ? seen.agreeing + 1 : 0;
  seen.teeth = teeth;
  told_ = seen.agreeing >= agreeing_turns && teeth != file_teeth_[cam] && !could_be_odd_edges(cam);
  return told_ ? std::optional(teeth) : std::nullopt;
}

}  // namespace cw
