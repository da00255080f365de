#include "sync/cam_jump.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"
#include "sync/cam_match.hpp"

namespace cw {

namespace {

constexpr double same = 0.3;     // of a tooth: what ripple may make of a count
constexpr double another = 0.5;  // half a tooth and the cams tell another one

}  // namespace

CamJump::CamJump(const Engine& engine, double pitch_deg) : farthest_teeth_(belt_jump_deg_max / pitch_deg) {
  for (const CamPattern& cam : engine.cams) {
    file_teeth_.push_back((cam.turns_with_crank ? deg_per_rev : engine.cycle_deg) / pitch_deg);
    edges_a_turn_.push_back(std::max<std::size_t>(1, cam.edges.size() / (cam.turns_with_crank ? 2 : 1)));
  }
  forget();
}

void CamJump::forget() {
  cams_.assign(file_teeth_.size(), Cam{});
  interval_ns_ = 0;
  jumped_ = false;
}

void CamJump::crank_edge(std::int64_t t_ns) {
  constexpr double odd_ratio = 1.55;  // an edge half way between two teeth makes it 2
  const auto interval_ns = static_cast<double>(t_ns - newest_ns_);
  if (interval_ns > odd_ratio * interval_ns_ || interval_ns * odd_ratio < interval_ns_) {
    std::for_each(cams_.begin(), cams_.end(), [](Cam& cam) { cam.odd = true; });
  }
  interval_ns_ = interval_ns;
  newest_ns_ = t_ns;
  count_ += 1;
}

void CamJump::cam_edge(std::size_t cam, std::int64_t t_ns) {
  Cam& seen = cams_[cam];
  const std::size_t edges = edges_a_turn_[cam];
  if (interval_ns_ <= 0) {
    return;
  }
  const double count = count_ + static_cast<double>(t_ns - newest_ns_) / interval_ns_;
  seen.turn.push_back(count);
  if (seen.turn.size() <= edges) {
    return;
  }
  const double off = count - seen.turn.front() - file_teeth_[cam];
  seen.turn.pop_front();
  if (std::fabs(off) < same) {
    // One edge of the cam too many, or one away, gives turns that differ.
    const auto [least, most] = std::minmax_element(seen.moved.begin(), seen.moved.end());
    jumped_ = jumped_ || (seen.moved.size() == edges && *most - *least < same);
    seen.settled = seen.moved.empty() ? seen.settled + 1 : 1;
    seen.moved.clear();
    seen.odd = false;
  } else if (std::fabs(off) >= another && std::fabs(off) <= farthest_teeth_ && seen.settled >= edges &&
             seen.moved.size() < edges && !seen.odd) {
    seen.moved.push_back(off);
  } else {
    seen.settled = 0;
    seen.moved.clear();
  }
}

}  // namespace cw
