#include "sync/cam_period.hpp"

#include <cmath>

#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr double whole = 0.3;  // of a pitch: from a whole number of them

}  // namespace

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
  const double one_less = n > 1 ? file_teeth_[cam] * n / (n - 1) : 0;
  const double one_more = file_teeth_[cam] * n / (n + 1);
  return std::fabs(cams_[cam].teeth - one_less) < whole || std::fabs(cams_[cam].teeth - one_more) < whole;
}

bool CamPeriod::contradicts() const {
  constexpr int agreeing_turns = 2;
  for (std::size_t cam = 0; cam < cams_.size(); ++cam) {
    if (cams_[cam].agreeing >= agreeing_turns && cams_[cam].teeth != file_teeth_[cam] && !could_be_odd_edges(cam)) {
      return true;
    }
  }
  return false;
}

std::optional<int> CamPeriod::cam_edge(std::size_t cam, double angle_deg) {
  constexpr int agreeing_turns = 8;
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
