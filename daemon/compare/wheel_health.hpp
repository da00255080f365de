// The wheel's shape by averaging turns: what each tooth is off by, run-out, single damaged teeth, scatter and duty.
//
// From each ToothTimesEvent of steady running (two cycles, of which the second is within 0.5 % as long as the first) the
// times are laid over a parabola through the three passages of the first tooth, so the pitch errors of that tooth cancel and
// a steady change of speed goes out. What is left, averaged over the turns, is where each tooth stands plus how the crank's
// speed ripples within a turn. Averaging wheel geometry: Resor, Trethewey, Maynard, J. Sound and Vibration 286 (2005) 897;
// Addabbo et al., IEEE TIM 62(3) (2013) 532.
//
// **What can't be seen.** Whole waves a turn that the engine's firing makes look just like teeth that stand in such waves.
// The first four harmonics of the firing order that are whole waves a turn (and what they alias to on a coarse wheel) are
// fitted and left out, as `masked_orders`; with uneven firing all whole orders up to there. Half orders cancel over two turns.
// What is left of speed: a cylinder weaker than the others makes one wave a turn too, whose angle falls with the square of
// speed (torque over inertia) where run-out stays. So with speeds that differ by half the part that stays is taken for
// run-out; at one speed the two can't be told apart and the finding says so.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "compare/attribution.hpp"
#include "compare/row_fit.hpp"
#include "geometry/engine.hpp"
#include "geometry/tooth_cycle.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

// Whole orders a turn of the wheel that the engine's firing hides, ascending; by the rules above.
std::vector<int> masked_orders(const Engine& engine);

class WheelHealth {
 public:
  // Says nothing ever of wheels on which too few teeth are left beside what is masked.
  WheelHealth(const Engine& engine, std::uint64_t& next_id);

  void take(const ToothTimesEvent& event, std::vector<Finding>& out);

  // The shape so far; nothing before 16 events (64 turns of a crank wheel).
  const std::optional<WheelShape>& shape() const { return shape_; }

  // What sync/ is to correct its angles by, of each tooth; changes seldom. Empty until it is known: 32 events, and run-out
  // only where it is told from a weak cylinder.
  const std::vector<double>& correction_deg() const { return correction_deg_; }
  // What waves that are not in it may be off by at any one angle, 95 %, deg: of a wheel whose teeth are off as these are, each
  // wave that is masked holds as much as each that is seen; and run-out that is not told from a weak cylinder.
  double hidden_deg() const { return hidden_deg_; }
  // By how much of a tooth at most that has changed since the last call; nothing when it is the same.
  std::optional<double> take_correction_change_deg();

 private:
  struct Tooth {
    double late_deg = 0;            // running mean
    double square_deg = 0;          // ... of the squared difference from it
    double scatter_square_deg = 0;  // mean square of turn to turn
    double duty = 0;
    double duties = 0;
  };
  struct Wave {
    double cos_deg = 0;
    double sin_deg = 0;
  };
  // Straight line through (x, wave): x is (1000 rpm / speed)^2.
  struct WaveFit {
    double count = 0;
    double x = 0;
    double xx = 0;
    Wave sum;
    Wave product;
  };
  struct Fit {
    std::vector<double> error_deg;  // of each tooth, masked waves left out, run-out within
    Wave run_out;
  };

  bool steady(const ToothTimesEvent& event) const;
  std::vector<double> late_of(const ToothTimesEvent& event);
  void add_scatter(const ToothTimesEvent& event, const std::vector<double>& late_deg);
  void average(const ToothTimesEvent& event);
  Fit fit(const std::vector<double>& late_deg, const std::vector<bool>& left_out);
  std::vector<std::vector<double>> wave_rows() const;
  Wave lasting_run_out(const Fit& fit) const;
  bool speeds_differ() const;
  void judge(const ToothTimesEvent& event, std::vector<Finding>& out);
  void judge_run_out(const ToothTimesEvent& event, std::vector<Finding>& out);
  void judge_teeth(const ToothTimesEvent& event, const std::vector<double>& off_deg, std::vector<Finding>& out);
  void correct();
  Finding base(FindingKind kind, Circumstance circumstance, const ToothTimesEvent& event) const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  ToothCycle cycle_;
  std::vector<int> masked_;
  bool possible_ = false;
  bool run_out_seen_ = false;  // order one is not masked
  std::vector<Tooth> teeth_;
  std::optional<RowFit> waves_of_teeth_;  // with the teeth left out that were last
  WaveFit waves_;
  double events_ = 0;
  std::uint64_t turns_ = 0;
  double rpm_ = 0;
  double rpm_least_ = 0;
  double rpm_greatest_ = 0;
  std::int64_t first_ns_ = 0;
  std::optional<WheelShape> shape_;
  std::vector<double> off_deg_;    // of each tooth beside run-out, now
  std::vector<double> early_deg_;  // ... when it was first known
  std::vector<double> correction_deg_;
  double hidden_deg_ = 0;
  std::optional<double> correction_change_deg_;
  std::optional<Finding> open_run_out_;
  std::vector<std::optional<Finding>> open_teeth_;
};

}  // namespace cw
