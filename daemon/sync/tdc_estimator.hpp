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
  std::size_t count = 0;
  std::array<double, most> angle_deg;  // of the first `count`; what follows has no value
  std::array<double, most> t_ns;
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

  // What a turn of edges said of their scatter, in degrees: a few teeth about a TDC, the same in every cycle, say little of a
  // wheel's pitch errors. Of a cranked engine it has some of the speed in it: the least counts, until one is known of a running
  // one.
  void take_scatter(double scatter_deg, bool running);

  // The tick of the counter that stamped the edges, ns; 0 = not known. Most counters cut down, so all edges may be half of it
  // early, or none.
  void set_tick_ns(double tick_ns) { tick_ns_ = tick_ns; }

  // What the wheel's own shape may still be off by at the TDC, once it is corrected for what was learned of it (95 %, deg).
  void set_hidden_deg(double hidden_deg) { hidden_deg_ = hidden_deg; }

  // Scatter of one edge as learned at running speed, ns; 0 = not yet.
  double edge_scatter_ns() const { return scatter_ns_; }

 private:
  bool smooth_enough(const FittedTime& fitted) const;
  void learn(const FittedTime& fitted);
  double known_deg(const FittedTime& fitted) const;
  double bent_deg(const FittedTime& fitted, double finer_t_ns, double finer_noise_gain) const;
  double noise_deg(const FittedTime& fitted) const;
  double stated_deg(double ns_per_deg, double noise_deg, double model_deg) const;

  std::optional<TimeFit> wide_;     // through the points of the last cycle
  std::optional<TimeFit> finer_;    // through the same, and may bend more
  double scatter_ns_ = 0;           // scatter that stays the same in time: noise, tick
  double scatter_deg_ = 0;          // scatter that stays the same in angle: pitch errors
  double turn_scatter_deg_ = 0;     // of all teeth, pitch errors and jitter together
  double cranked_scatter_deg_ = 0;  // ... the least while cranking
  double tick_ns_ = 0;
  double hidden_deg_ = 0;
};

}  // namespace cw
