// What learn.cpp and learn_cams.cpp share.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "learn/flank_fit.hpp"
#include "learn/fold.hpp"
#include "learn/learn.hpp"
#include "learn/smooth_turning.hpp"

namespace cw::learn {

// The wheel with its edges over one cycle (of an engine whose cycle is not known, over two turns).
struct WheelInCycle {
  std::span<const std::int64_t> t_ns;
  Fold fold;                      // over the cycle
  std::vector<double> angle_deg;  // of each edge of the fold, crank degrees from the fold's first edge
  double cycle_deg = 720;
  double turn_deg = 360;              // of the wheel
  double reference_deg = 0;           // angle of the marked reference tooth
  Turning turning;                    // of the fold over the cycle
  std::vector<double> uncertain_deg;  // of the wheel's own teeth, 95 %
  std::size_t reference_tooth = 0;    // of a turn of the fold
  std::optional<FlankFit> flanks;     // where the wheel was told by both flanks of its teeth
};

// Crank degrees from the fold's first edge, with the uncertainty that uneven turning leaves.
class Locator {
 public:
  explicit Locator(const WheelInCycle& wheel);
  FoundEdge locate(const PlacedEdge& edge) const;

 private:
  SmoothTurning::Estimate place(double at_deg) const;

  const WheelInCycle& wheel_;
  std::vector<double> ahead_deg_;
  SmoothTurning turning_;
};

// Of one polarity, from the marked reference tooth, ascending; empty when it has no steady places.
std::vector<FoundEdge> locate_edges(const WheelInCycle& wheel, std::span<const std::int64_t> t_ns, ActiveEdge edge);

// Nothing when the channel has no pattern on this wheel.
std::optional<FoundCam> find_cam(const WheelInCycle& wheel, const Channel& channel);
std::optional<FoundReference> find_reference(const WheelInCycle& wheel, const Channel& channel, const Known& known);

}  // namespace cw::learn
