// How crank speed goes on from one tooth to the next, and how far an interval may stray from that before something else
// must be the matter.
#pragma once

namespace cw {

// An interval that costs more than this (4.2 standard deviations) misfits; none counts more against a place: a start from
// rest breaks every model of smooth speed.
inline constexpr double misfit_cost_max = 9.0;

// Cost of an edge that is a tooth out of its place (bent, burred, chipped), in the same units: less than the two intervals
// that misfit because of it, more than an edge too many or a missed one.
inline constexpr double displaced_cost = 8.0;
// It may be out of place by so much of the shorter of the steps beside it; farther, it is nearer to being another tooth.
inline constexpr double displaced_share_max = 0.3;
// With longer steps a change of speed can look the same.
inline constexpr double displaced_step_max_deg = 30.0;

// How much intervals may scatter, by cause.
struct ScatterModel {
  // Time scatter of one edge, ns: sensor noise, input stage, tick. Raised by the tracker to what it measures.
  double edge_ns = 1500;
  // Angle scatter of one edge, degrees: pitch errors.
  double edge_deg = 0.15;
  // Standard deviation of the speed's slope, as a share of it: a strong slope may be over at once, as at the bottom of a
  // compression dip. 0: it is taken to go on.
  double slope_over = 0;
};

// Scatter of d ln(speed) per radian of crank rotation at `rpm`, one standard deviation. The scale is the published
// cranking record of mean 150, least 85, greatest 225 rpm within a cycle (Tech Briefs, test and measurement 21269): 4
// firings a revolution of amplitude 70/150 give 1.9 per radian at the steepest. A given torque changes speed by
// d ln w / d angle = T / (I w^2), but an engine that fires has more of it than one that is cranked, most of all at its
// first firings: taken to fall with speed, not its square.
double speed_scatter_per_rad(double rpm);

// Scatter of ln(speed) between two places however far apart, one standard deviation: over a long step the slope turns
// round before it can do more. The published record swings by ln(225/85) = 0.97 from least to greatest, 0.49 either way;
// between two places anywhere in a sine wave that is one standard deviation, taken a quarter larger for engines of fewer
// cylinders, and to fall with speed as the slope does.
double speed_swing(double rpm);

// How far, in crank degrees, a place between two teeth `step_deg` apart may be off where a cubic through the teeth is
// taken for the motion, and speed swings as sin(order * angle) by the share speed_swing(rpm): the angle then swings by
// share / order radians, and cubic interpolation with equal steps h misses its middle by 3/128 h^4 times the fourth
// derivative (textbook remainder), at most the whole swing.
double unseen_ripple_deg(double step_deg, double order, double rpm);

// Speed as the last steps told it.
struct SpeedState {
  double ns_per_deg = 0;     // at the middle of the last step; 0 = not known yet
  double last_step_deg = 0;  // that step's length
  // d ln(ns_per_deg) / d angle there. A steady torque changes the square of speed evenly with angle (work = change of
  // kinetic energy), so over a distance D ns_per_deg becomes ns_per_deg / sqrt(1 - 2 * trend * D).
  double trend_per_deg = 0;
};

// An interval against what the speed so far lets expect.
struct StepFit {
  double cost = 0;          // negative log likelihood, 0 for the interval that the smooth model expects
  double sd = 1;            // standard deviation of the error
  double sigmas = 0;        // |error| / sd
  double error = 0;         // ln(observed / expected)
  double gain = 1;          // share of the error that is speed rather than scatter, 0 to 1
  double distance_deg = 0;  // from the middle of the last step to the middle of this one
  double expected_ns = 0;   // 0 = no speed yet
};

// `angle_deg` > 0 covered in `dt_ns` >= 0. Without a known speed everything fits: cost 0.
StepFit fit_step(const SpeedState& from, double angle_deg, double dt_ns, const ScatterModel& scatter);

// The same, where a cycle ago the step took exp(`past_log_ratio`) times as long a degree as the one before it. As often
// as not the engine does again what it did then: a mixture of both expectations, half and half. The cost can be negative,
// since what is repeated is foretold more narrowly than a smooth model can.
StepFit fit_step_as_before(const SpeedState& from, double angle_deg, double dt_ns, double past_log_ratio,
                           const ScatterModel& scatter);

// Whether the edge at the end of a step may be the expected tooth, out of its place. `next_deg`: the step after.
bool may_be_displaced(const StepFit& fit, double angle_deg, double dt_ns, double next_deg);

// The speed after a step as it was expected, whatever was seen.
SpeedState coast(const SpeedState& from, double angle_deg, const StepFit& fit);

// The speed after that step: what is speed in the error is followed, what is scatter is averaged away.
SpeedState follow(const SpeedState& from, double angle_deg, double dt_ns, const StepFit& fit);

}  // namespace cw
