// Exact kinematics of the centred slider-crank. Unit of length: the crank radius r; R = rod length / crank radius (>
// 1). theta in radians after TDC. Source: Heywood, Internal Combustion Engine Fundamentals, ch. 2 (piston position,
// speed, mean piston speed).
#pragma once

namespace cw::sim {

// Piston travel from TDC, x/r = 1 - cos t + R - sqrt(R^2 - sin^2 t).
double piston_travel(double theta_rad, double rod_ratio);

// d(x/r)/dt per radian: piston speed over crank-pin speed.
double piston_speed(double theta_rad, double rod_ratio);

// d2(x/r)/dt2 per radian squared.
double piston_acceleration(double theta_rad, double rod_ratio);

// The usual textbook approximation of piston_speed, sin t + sin(2t) / (2R) (for example Khurmi, Theory of Machines,
// ch. 15). Only for checks; the simulator uses the exact form.
double piston_speed_first_order(double theta_rad, double rod_ratio);

}  // namespace cw::sim
