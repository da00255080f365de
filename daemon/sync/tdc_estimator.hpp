// The TDC of one cycle from the teeth around it, with its uncertainty. Holds what it has learned of the edges' scatter.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <span>

#include "sync/tdc_fit.hpp"

namespace cw {

// Teeth around a TDC, the newest (greatest angle) first. Angles from the TDC; times on any base near.
struct TdcPoints {
  static constexpr std::size_t most = 64;
  std::array<double, most> angle_deg{};
  std::array<double, most> t_ns{};
  std::size_t count = 0;
  std::size_t nearest_after = 0;  // index of the last tooth at or after the TDC, from which angles go below 0
  double hidden_dip_deg = 0;      // how far speed unseen between the two nearest teeth may carry the TDC
};

struct TdcEstimate {
  double t_ns = 0;  // on the base of the points
  double ns_per_deg = 0;
  double uncertainty_deg = 0;  // 95 % half width, relative to the wheel
};

class TdcEstimator {
 public:
  // Nothing when there is no tooth on either side.
  std::optional<TdcEstimate> estimate(const TdcPoints& points);

  // The same where teeth are so far apart that no curve through them follows the speed: straight from the one before to
  // the one after.
  std::optional<TdcEstimate> between_two(const TdcPoints& points) const;

  // Scatter of one edge as learned at running speed, ns; 0 = not yet.
  double edge_scatter_ns() const { return scatter_ns_; }

 private:
  bool smooth_enough(const FittedTime& fitted) const;
  void learn(const FittedTime& fitted);
  double known_deg(const FittedTime& fitted) const;
  double bent_deg(const FittedTime& fitted, const FittedTime& finer) const;
  double noise_deg(const FittedTime& fitted) const;

  std::optional<TimeFit> wide_;   // through the points of the last cycle
  std::optional<TimeFit> finer_;  // through the same, and may bend more
  double scatter_ns_ = 0;         // scatter that stays the same in time: noise, tick
  double scatter_deg_ = 0;        // scatter that stays the same in angle: pitch errors
};

}  // namespace cw
