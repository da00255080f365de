// Top dead centre from how the crank runs down, without any sensor but the wheel.
//
// Equation of motion (one degree of freedom, Lagrange; slider-crank as in Heywood, Internal Combustion Engine Fundamentals,
// ch. 2 and 14): d(I(a) w^2 / 2)/da = T_gas + T_starter - T_friction. With no burning the gas gives back after dead centre what it
// took before it, so its work, and I(a) of the pistons with it, are even about each dead centre: so is w^2, once its steady
// fall by friction is taken off. The phase of w^2 at the order of the firings is therefore top dead centre. What is not even:
//   - a torque that falls with speed, -c w, turns the phase early by about c / (I w order), in radians of that order: small
//     with friction, but tens of degrees with a starter, whose torque falls steeply;
//   - gas and heat that are lost meanwhile turn it late, the more the longer it takes: also as 1 / w.
// Both fade as 1 / w, so the phase is fitted as a line over 1 / w and taken at none; what the line leaves, the doubt of its slope
// and a floor for what is not in this picture (pumping, torsion of the crank, cylinders that differ) are in the interval.
// While cranking the starter makes the slow spot early, so that only bounds it from one side.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

// One tooth's passage at its crank angle by the engine file, counted on over the cycles of a run without a break.
struct ToothPassage {
  std::int64_t t_ns = 0;
  double crank_deg = 0;  // unwrapped; 0 modulo the cycle is TDC1 by the file
};

// Runs of passages from the active edges of the crank and the cycles that were told: between two TDC1 in a row there must be
// as many edges as the wheel has.
std::vector<std::vector<ToothPassage>> locate_teeth(std::span<const std::int64_t> crank_ns,
                                                    std::span<const Cycle> cycles, const Engine& engine);

struct SlowSpot {
  double deg = 0;  // from the file's TDC, positive = late; nearest one of the firings
  double rpm = 0;
};

struct TdcFromCrank {
  std::string why_not;  // not empty: nothing can be said, and why
  double deg = 0;       // where compression TDC is, counted from the file's TDC; positive = later
  double half_width_deg = 0;
  double modulo_deg = 720;  // dead centres this far apart can't be told from each other
  int run_down_windows = 0;
  double rpm_least = 0;
  double rpm_most = 0;
  std::optional<SlowSpot> cranking;  // where it turned slowest while cranked: the starter makes that early
};

// The runs are looked at for a run-down (speed falls on, 200 to 1,500 rpm, to below 500) and for cranking (below 350 rpm, no
// fall). Needs cylinders and firing angles of the engine, and eight teeth in each wave.
TdcFromCrank tdc_from_crank(std::span<const std::vector<ToothPassage>> runs, const Engine& engine);

}  // namespace cw
