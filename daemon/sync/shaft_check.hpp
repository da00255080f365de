// Whether the wheel turns as fast as the engine file says. A crank wheel described as one on the cam, or the other way
// round, shows the same teeth; the cams' edges then come half or twice as often as they should.
#pragma once

#include <cstddef>
#include <vector>

#include "geometry/engine.hpp"

namespace cw {

enum class ShaftVerdict : std::uint8_t {
  open,    // too little seen
  agrees,  // or the cams can't tell: there are none, all are silent, or they come at some other rate
  twice,   // cam edges come twice as often as the file lets expect
  half,
};

class ShaftCheck {
 public:
  explicit ShaftCheck(const Engine& engine);

  // The count begins anew at `position_deg`, on a scale of crank degrees that goes on rising.
  void begin(double position_deg);
  void cam_edge(std::size_t cam) { ++seen_[cam]; }
  // Whether a whole cycle more has been seen at `position_deg` and look() may say more than before.
  bool due(double position_deg) const { return position_deg >= next_look_deg_; }
  // Gives the verdict after `due`. When that is twice or half a new count begins.
  ShaftVerdict look();
  // Wires and file may be others now.
  void forget();

  ShaftVerdict verdict() const { return verdict_; }
  bool contradicts() const { return verdict_ == ShaftVerdict::twice || verdict_ == ShaftVerdict::half; }

 private:
  ShaftVerdict judge() const;

  double cycle_deg_ = 720;
  bool wheel_on_cam_ = false;
  std::vector<int> expected_;  // edges a cycle, of each cam
  std::vector<int> seen_;
  double next_look_deg_ = 0;
  int cycles_ = 0;  // watched
  ShaftVerdict verdict_ = ShaftVerdict::open;
};

}  // namespace cw
