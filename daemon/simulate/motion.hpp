// The motion of the crank as knots with a cubic between each two: every edge, every TDC and every truth sample of a run
// is taken from this one curve.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <utility>
#include <vector>

namespace cw::sim {

struct Knot {
  double t_s = 0;
  double crank_deg = 0;    // unwrapped; 0 modulo the cycle is TDC1
  double speed_deg_s = 0;  // negative = backwards
};

// Knots ascending in time. Between two knots the crank never reverses (the builders put a knot at every stop).
using Motion = std::vector<Knot>;

// The cubic between two knots on u in [0, 1], of any angle that moves with (a) and against (b) given end speeds.
struct Cubic {
  double a0 = 0, a1 = 0, a2 = 0, a3 = 0;

  // From start, change, and the two end slopes times the step.
  static Cubic hermite(double start, double change, double slope0, double slope1) {
    return {start, slope0, 3 * change - 2 * slope0 - slope1, slope0 + slope1 - 2 * change};
  }
  double at(double u) const { return a0 + u * (a1 + u * (a2 + u * a3)); }
  double slope(double u) const { return a1 + u * (2 * a2 + u * 3 * a3); }

  // u where the cubic passes `target`, which lies between at(0) and at(1). Newton inside a shrinking bracket.
  double solve(double target) const;
};

// Position and speed at `t_s`, held still outside the run.
Knot state_at(const Motion& motion, double t_s);

// First time at or after `from_s` that the crank passes `crank_deg` in either direction.
std::optional<double> time_at(const Motion& motion, double crank_deg, double from_s);

// An angle error that builds up while the crank turns from `from_deg` over `span_deg` (> 0) to `by_deg` and stays.
struct AngleStep {
  double from_deg = 0;
  double span_deg = 1;
  double by_deg = 0;
};

// Phase of a wheel against the crank over a run: fixed part, steps, positions over time. Positive = late. Asked in
// order of time.
class PhaseTrack {
 public:
  explicit PhaseTrack(double fixed_deg = 0) : fixed_deg_(fixed_deg) {}
  void add_step(const AngleStep& step) { steps_.push_back({step, 0}); }
  void add_point(double t_s, double deg) { points_.emplace_back(t_s, deg); }
  double at(const Knot& knot);

 private:
  struct Running {
    AngleStep step;
    double done = 0;  // share, 0 to 1, never falls back
  };
  double fixed_deg_;
  std::vector<Running> steps_;
  std::vector<std::pair<double, double>> points_;
  std::size_t point_ = 0;
};

// One passage of a mark.
struct Passage {
  double t_s = 0;
  double speed_deg_s = 0;  // of the wheel, signed
  std::int64_t turn = 0;   // which period of the pattern
  std::size_t slot = 0;    // which angle of it
  bool forward = true;
};

// The place of a wheel between two neighbouring marks of a repeated pattern.
class MarkCursor {
 public:
  // `marks_deg` ascending, within [0, period_deg), not empty; must outlive the cursor.
  MarkCursor(std::span<const double> marks_deg, double period_deg, double wheel_deg);
  double ahead_deg() const { return ahead_deg_; }    // next mark that a forward move passes
  double behind_deg() const { return behind_deg_; }  // next mark that a backward move passes
  std::int64_t turn() const { return turn_; }        // of the mark ahead
  std::size_t slot() const { return slot_; }
  void go_forward();
  void go_back();

 private:
  double angle_of(std::int64_t turn, std::size_t slot) const {
    return static_cast<double>(turn) * period_deg_ + marks_deg_[slot];
  }
  std::span<const double> marks_deg_;
  double period_deg_;
  std::int64_t turn_ = 0;
  std::size_t slot_ = 0;
  double ahead_deg_ = 0;
  double behind_deg_ = 0;
};

// Calls visit(Passage) for every passage of the angles `marks_deg` (ascending, within [0, period_deg)), repeated each
// `period_deg`, by a wheel that stands at crank angle minus phase. In order of time. A mark on which the run begins is
// not passed by a forward move.
template <class Visit>
void for_each_passage(const Motion& motion, PhaseTrack phase, std::span<const double> marks_deg, double period_deg,
                      Visit visit) {
  if (motion.empty() || marks_deg.empty()) {
    return;
  }
  double phase0 = phase.at(motion.front());
  double wheel0 = motion.front().crank_deg - phase0;
  MarkCursor cursor(marks_deg, period_deg, wheel0);
  for (std::size_t i = 0; i + 1 < motion.size(); ++i) {
    const Knot& k0 = motion[i];
    const Knot& k1 = motion[i + 1];
    const double phase1 = phase.at(k1);
    const double wheel1 = k1.crank_deg - phase1;
    if (wheel1 >= cursor.ahead_deg() || wheel1 < cursor.behind_deg()) {
      const double step_s = k1.t_s - k0.t_s;
      const double drift = phase1 - phase0;
      const Cubic path =
          Cubic::hermite(wheel0, wheel1 - wheel0, k0.speed_deg_s * step_s - drift, k1.speed_deg_s * step_s - drift);
      const auto tell = [&](double mark_deg, bool forward) {
        const double u = path.solve(mark_deg);
        visit(Passage{k0.t_s + u * step_s, path.slope(u) / step_s, cursor.turn(), cursor.slot(), forward});
      };
      while (wheel1 >= cursor.ahead_deg()) {
        tell(cursor.ahead_deg(), true);
        cursor.go_forward();
      }
      while (wheel1 < cursor.behind_deg()) {
        cursor.go_back();
        tell(cursor.ahead_deg(), false);
      }
    }
    phase0 = phase1;
    wheel0 = wheel1;
  }
}

}  // namespace cw::sim
