#include "sync/shaft_check.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

namespace {

// Of so many edges half or twice as many are beyond an odd one too many or missing.
constexpr int telling_edges = 4;
constexpr int silent_cycles = 2;
constexpr int cycles_most = 6;  // then the cams come at no rate that says anything
constexpr double agrees_from = 0.8;
constexpr double agrees_to = 1.3;

}  // namespace

ShaftCheck::ShaftCheck(const Engine& engine)
    : cycle_deg_(engine.cycle_deg), wheel_on_cam_(engine.crank.shaft == WheelShaft::cam), seen_(engine.cams.size(), 0) {
  for (const CamPattern& cam : engine.cams) {
    expected_.push_back(static_cast<int>(cam.edges.size()));
  }
  forget();
}

void ShaftCheck::forget() {
  verdict_ = expected_.empty() ? ShaftVerdict::agrees : ShaftVerdict::open;
}

void ShaftCheck::begin(double position_deg) {
  std::fill(seen_.begin(), seen_.end(), 0);
  next_look_deg_ = position_deg + cycle_deg_;
  cycles_ = 0;
}

ShaftVerdict ShaftCheck::look() {
  ++cycles_;
  next_look_deg_ += cycle_deg_;
  const ShaftVerdict now = judge();
  // Once said it stands until the cams agree.
  verdict_ = now == ShaftVerdict::open ? verdict_ : now;
  if (now == ShaftVerdict::twice || now == ShaftVerdict::half) {
    begin(next_look_deg_ - cycle_deg_);
  }
  return verdict_;
}

// Cams that give no edge are left out: they are dead, not slow.
ShaftVerdict ShaftCheck::judge() const {
  int seen = 0;
  int expected = 0;
  for (std::size_t cam = 0; cam < seen_.size(); ++cam) {
    seen += seen_[cam];
    expected += seen_[cam] > 0 ? expected_[cam] * cycles_ : 0;
  }
  if (seen == 0) {
    return cycles_ < silent_cycles ? ShaftVerdict::open : ShaftVerdict::agrees;
  }
  if (expected < telling_edges) {
    // At half the rate a single edge may come by chance as often as it should.
    return seen == expected && !wheel_on_cam_ ? ShaftVerdict::agrees : ShaftVerdict::open;
  }
  const double ratio = static_cast<double>(seen) / expected;
  // Two whole looks at least where the wheel is said to be on the cam: in one the cams may come unevenly.
  if (ratio >= agrees_from && ratio <= agrees_to && (cycles_ >= 2 || !wheel_on_cam_)) {
    return ShaftVerdict::agrees;
  }
  const bool rate_known = std::fabs(ratio - 2) < 0.3 || std::fabs(ratio - 0.5) < 0.15;
  if (cycles_ >= 2 && rate_known) {
    return ratio > 1 ? ShaftVerdict::twice : ShaftVerdict::half;
  }
  return cycles_ < cycles_most ? ShaftVerdict::open : ShaftVerdict::agrees;
}

}  // namespace cw
