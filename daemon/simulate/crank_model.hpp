// The crank as a rigid body: gas, inertia, friction and starter torque, stepped through the phases of a scenario.
#pragma once

#include <cstdint>
#include <memory>
#include <vector>

#include "geometry/engine.hpp"
#include "simulate/motion.hpp"
#include "simulate/scenario.hpp"

namespace cw::sim {

// Tables over crank angle from one cylinder's TDC, for fast look-up while stepping.
class CylinderTables {
 public:
  CylinderTables(const EngineModel& model, double cycle_deg);

  // At `deg` from TDC, -closed_deg to closed_deg:
  struct Row {
    double expand = 0;   // V^-n dV/dtheta; times p V^n it is the torque of the gas, N m
    double ambient = 0;  // p_ambient dV/dtheta: the torque of the crank case's air on the other side
    double heat = 0;     // integral of (n - 1) V^(n-1) over the burnt share so far: what 1 J of heat adds to p V^n
  };
  Row at(double deg) const;

  double volume_m3(double deg) const;
  double polytrope(double deg) const;        // V^n
  double charge() const { return charge_; }  // p V^n of a fresh, ambient cylinder
  double closed_deg() const { return closed_deg_; }
  double work_per_heat() const { return work_per_heat_; }  // indicated work of 1 J of heat over one firing

 private:
  double closed_deg_;
  double polytropic_;
  double swept_m3_;
  double clearance_m3_;
  double rod_ratio_;
  double charge_ = 0;
  double work_per_heat_ = 0;
  std::vector<Row> rows_;
};

struct CrankState {
  double theta_rad = 0;  // unwrapped crank angle
  double omega_rad_s = 0;
};

// One run. Phases are driven one after another; each appends its knots.
class CrankModel {
 public:
  CrankModel(const Engine& engine, const EngineModel& model, std::uint64_t seed);
  ~CrankModel();
  CrankModel(CrankModel&&) noexcept;

  // The crank is put here, cylinders with shut valves filled as if they had come from the closing angle.
  void place(const Knot& knot);
  // Steps through one phase (any kind but profile) from the last knot of `motion`, which must not be empty. False when
  // the crank runs away beyond 60,000 rpm (numbers that fit no engine): `motion` then ends before that.
  bool drive(const Phase& phase, Motion& motion);

  // Kinetic energy of crank and pistons, J, at the state reached; for checks of the integration.
  double kinetic_j() const;
  // Energy of the gas in shut cylinders against ambient, J: the work it would give by expanding to the closing volume.
  double gas_j() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

// Appends the knots of a profile phase, in closed form for the mean speed and by Simpson's rule over the ripple.
void drive_profile(const Phase& phase, Motion& motion);

// All phases of a scenario; ends early when the crank runs away. The first knot is at time 0.
Motion drive_scenario(const Engine& engine, const Scenario& scenario);

}  // namespace cw::sim
