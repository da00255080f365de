// A variable-reluctance sensor whose two wires are swapped.
//
// The sensor's voltage is the rate of change of the flux through its coil: highest flux with a tooth before the pole,
// lowest with a space. Its zero crossings lie at the middle of each tooth in one direction and at the middle of each space
// in the other, and the conditioner fires on one direction only. Wired rightly that is the tooth: steep, between the two
// flanks. Wired backwards it is the space. In a space of one pitch that is as good; in the gap the flux hardly changes, the
// voltage is next to nothing, and where it crosses depends on what the conditioner takes for zero. Amplitude grows in
// proportion to speed, so the place wanders with speed, and noise moves it most of all.
//
// Our own working: each flank's voltage fades into the space as exp(-x / fade), so between two teeth `space` apart
//   v(x) = rpm (exp(-x / fade) - exp(-(space - x) / fade)),   in units of what the sensor gives at 1 rpm.
// The conditioner fires where v falls to its threshold: space / 2 - fade asinh(threshold exp(space / 2 fade) / 2 rpm).
// That the signal grows with speed and that swapped wires trigger in the gap is textbook knowledge of inductive speed
// sensors (from memory); the sizes are ours: a volt or so at cranking speed against tens of millivolts of offset.
#pragma once

namespace cw::sim {

struct Reluctor {
  double threshold_rpm = 6;  // speed at which the signal's peak equals what the conditioner takes for zero; positive
                             // fires early in the gap, negative late
  double noise_rpm = 1.5;    // the same for the standard deviation of the noise on the wire
  double fade = 0.3;         // distance in which a flank's voltage falls to 1/e, as a share of the least pitch
};

// Where the conditioner fires, degrees from the middle of the space, positive = later; kept `fade_deg` clear of the teeth.
double crossing_deg(const Reluctor& reluctor, double space_deg, double fade_deg, double rpm);

// Standard deviation of that place, degrees: noise over the slope of the voltage there.
double crossing_scatter_deg(const Reluctor& reluctor, double space_deg, double fade_deg, double rpm);

}  // namespace cw::sim
