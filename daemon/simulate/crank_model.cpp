#include "simulate/crank_model.hpp"

#include <cmath>
#include <limits>
#include <numbers>

#include "geometry/angle.hpp"
#include "simulate/random.hpp"
#include "simulate/slider_crank.hpp"

namespace cw::sim {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180.0;
constexpr double rows_per_deg = 10;
constexpr double rad_s_per_rpm = std::numbers::pi / 30.0;
constexpr std::uint64_t combustion_stream = 101;
constexpr double runaway_rad_s = 60000 * rad_s_per_rpm;
constexpr double started_share = 2.0;  // of the starter's free speed, above which the engine counts as started

// Wiebe function, a = 5, m = 2: Heywood, Internal Combustion Engine Fundamentals, ch. 9.
double burnt_share(double deg, double start_deg, double duration_deg) {
  if (deg <= start_deg) {
    return 0;
  }
  const double y = (deg - start_deg) / duration_deg;
  return 1.0 - std::exp(-5.0 * y * y * y);
}

}  // namespace

CylinderTables::CylinderTables(const EngineModel& model, double cycle_deg)
    : closed_deg_(std::min(model.closed_deg, cycle_deg / 2 - 1)),
      polytropic_(model.polytropic),
      rod_ratio_(model.rod_ratio) {
  const double bore_m = model.bore_mm * 1e-3;
  const double area_m2 = std::numbers::pi / 4 * bore_m * bore_m;
  swept_m3_ = area_m2 * model.stroke_mm * 1e-3;
  clearance_m3_ = swept_m3_ / (model.compression_ratio - 1);
  const double ambient_pa = model.ambient_kpa * 1e3;
  charge_ = ambient_pa * polytrope(closed_deg_);
  const auto count = static_cast<std::size_t>(std::ceil(2 * closed_deg_ * rows_per_deg)) + 2;
  rows_.resize(count);
  double heat = 0;
  for (std::size_t i = 0; i < count; ++i) {
    const double deg = static_cast<double>(i) / rows_per_deg - closed_deg_;
    const double rad = deg * rad_per_deg;
    const double slope = swept_m3_ / 2 * piston_speed(rad, rod_ratio_);  // dV/dtheta; V = Vc + (Vs/2) x/r
    if (i > 0) {
      const double share = burnt_share(deg, model.burn_start_deg, model.burn_deg) -
                           burnt_share(deg - 1 / rows_per_deg, model.burn_start_deg, model.burn_deg);
      // First law at constant charge with p V^n: d(p V^n) = (n - 1) V^(n-1) dQ (Heywood ch. 9, n for gamma).
      heat += (polytropic_ - 1) * std::pow(volume_m3(deg - 0.5 / rows_per_deg), polytropic_ - 1) * share;
    }
    rows_[i] = {slope / polytrope(deg), ambient_pa * slope, heat};
    work_per_heat_ += rows_[i].expand * heat / rows_per_deg * rad_per_deg;
  }
}

double CylinderTables::volume_m3(double deg) const {
  return clearance_m3_ + swept_m3_ / 2 * piston_travel(deg * rad_per_deg, rod_ratio_);
}

double CylinderTables::polytrope(double deg) const {
  return std::pow(volume_m3(deg), polytropic_);
}

CylinderTables::Row CylinderTables::at(double deg) const {
  const double place = (deg + closed_deg_) * rows_per_deg;
  const auto limit = static_cast<double>(rows_.size() - 2);
  const auto index = static_cast<std::size_t>(std::clamp(place, 0.0, limit));
  const double part = place - static_cast<double>(index);
  const Row& a = rows_[index];
  const Row& b = rows_[index + 1];
  return {a.expand + part * (b.expand - a.expand), a.ambient + part * (b.ambient - a.ambient),
          a.heat + part * (b.heat - a.heat)};
}

namespace {

struct Cylinder {
  double tdc_deg = 0;
  double charge = 0;    // p V^n now
  double heat_j = 0;    // of the firing under way
  double from_deg = 0;  // angle from TDC at the start of the step
  bool shut = false;
};

// Governor: works like a real one on the mean speed, once a firing, so that the ripple comes from the physics alone.
struct Governor {
  double integral_nm = 0;
  double last_t_s = 0;
  double last_deg = 0;
};

}  // namespace

struct CrankModel::Impl {
  Impl(const Engine& engine, const EngineModel& model_in, std::uint64_t seed)
      : model(model_in),
        cycle_deg(engine.cycle_deg),
        tables(model_in, engine.cycle_deg),
        random(seed, combustion_stream) {
    for (const double tdc_deg : engine.firing_angles_deg) {
      cylinders.push_back({tdc_deg, tables.charge(), 0, 0, false});
    }
    fill_inertia();
  }

  EngineModel model;
  double cycle_deg;
  CylinderTables tables;
  Random random;
  std::vector<Cylinder> cylinders;
  CrankState state;
  Governor governor;
  struct InertiaRow {
    double inertia = 0;     // kg m2
    double half_slope = 0;  // half of its derivative by angle
  };
  std::vector<InertiaRow> inertia_rows;

  // What drives the crank in a phase.
  bool fuel = false;
  bool starter = false;
  std::optional<KickBack> kick;
  double target_rad_s = 0;
  double target_slope = 0;  // rad/s2
  double t_s = 0;

  void fill_inertia();
  InertiaRow inertia_at(double theta_rad) const;
  double angle_from_tdc(const Cylinder& cylinder, double deg) const {
    return wrap_signed_deg(deg - cylinder.tdc_deg, cycle_deg);
  }
  double gas_torque(double theta_rad) const;
  double driving_torque(double theta_rad, double omega) const;
  double acceleration(double theta_rad, double omega, double direction) const;
  CrankState runge_kutta(double step_s, double direction) const;
  void begin_step();
  void settle_gas(double step_s);
  void shut_cylinder(Cylinder& cylinder, double deg);
  double governed_heat();
  double direction_from_rest() const;
  double step_once(double longest_s);
  void set_target(const Phase& phase, double into_s);
};

void CrankModel::Impl::fill_inertia() {
  const auto count = static_cast<std::size_t>(cycle_deg * rows_per_deg) + 1;
  const double crank_m = model.stroke_mm * 0.5e-3;
  const double moment = model.reciprocating_kg * crank_m * crank_m;
  inertia_rows.resize(count);
  for (std::size_t i = 0; i < count; ++i) {
    inertia_rows[i].inertia = model.inertia_kg_m2;
    for (const Cylinder& cylinder : cylinders) {
      const double rad = (static_cast<double>(i) / rows_per_deg - cylinder.tdc_deg) * rad_per_deg;
      const double speed = piston_speed(rad, model.rod_ratio);
      inertia_rows[i].inertia += moment * speed * speed;
      inertia_rows[i].half_slope += moment * speed * piston_acceleration(rad, model.rod_ratio);
    }
  }
}

CrankModel::Impl::InertiaRow CrankModel::Impl::inertia_at(double theta_rad) const {
  const double place = wrap_deg(theta_rad / rad_per_deg, cycle_deg) * rows_per_deg;
  const auto index = std::min(static_cast<std::size_t>(place), inertia_rows.size() - 2);
  const double part = place - static_cast<double>(index);
  const InertiaRow& a = inertia_rows[index];
  const InertiaRow& b = inertia_rows[index + 1];
  return {a.inertia + part * (b.inertia - a.inertia), a.half_slope + part * (b.half_slope - a.half_slope)};
}

double CrankModel::Impl::gas_torque(double theta_rad) const {
  double torque = 0;
  for (const Cylinder& cylinder : cylinders) {
    const double deg = angle_from_tdc(cylinder, theta_rad / rad_per_deg);
    if (!(deg >= -tables.closed_deg() && deg <= tables.closed_deg())) {
      continue;  // written so that a number gone astray ends here too
    }
    const CylinderTables::Row row = tables.at(deg);
    double charge = cylinder.shut ? cylinder.charge : tables.charge();
    if (cylinder.heat_j > 0 && deg > cylinder.from_deg) {
      charge += cylinder.heat_j * (row.heat - tables.at(cylinder.from_deg).heat);
    }
    torque += charge * row.expand - row.ambient;
  }
  return torque;
}

double CrankModel::Impl::driving_torque(double theta_rad, double omega) const {
  double torque = gas_torque(theta_rad);
  const double free_rad_s = model.starter_free_rpm * rad_s_per_rpm;
  if (starter && omega < free_rad_s) {
    torque += model.starter_stall_nm * std::min(1.0 - omega / free_rad_s, 1.5);
  }
  return torque;
}

// I(theta) dw/dt + (1/2) dI/dtheta w^2 = sum of torques (Lagrange, one degree of freedom).
double CrankModel::Impl::acceleration(double theta_rad, double omega, double direction) const {
  const InertiaRow row = inertia_at(theta_rad);
  const double friction = direction * model.friction_nm + model.friction_nm_s * omega;
  return (driving_torque(theta_rad, omega) - friction - row.half_slope * omega * omega) / row.inertia;
}

CrankState CrankModel::Impl::runge_kutta(double step_s, double direction) const {
  const double h = step_s;
  const double w1 = state.omega_rad_s;
  const double a1 = acceleration(state.theta_rad, w1, direction);
  const double w2 = w1 + 0.5 * h * a1;
  const double a2 = acceleration(state.theta_rad + 0.5 * h * w1, w2, direction);
  const double w3 = w1 + 0.5 * h * a2;
  const double a3 = acceleration(state.theta_rad + 0.5 * h * w2, w3, direction);
  const double w4 = w1 + h * a3;
  const double a4 = acceleration(state.theta_rad + h * w3, w4, direction);
  return {state.theta_rad + h / 6 * (w1 + 2 * w2 + 2 * w3 + w4), w1 + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)};
}

void CrankModel::Impl::begin_step() {
  for (Cylinder& cylinder : cylinders) {
    cylinder.from_deg = angle_from_tdc(cylinder, state.theta_rad / rad_per_deg);
  }
}

double CrankModel::Impl::governed_heat() {
  const double deg = state.theta_rad / rad_per_deg;
  const double span_s = t_s - governor.last_t_s;
  const double mean = span_s > 0 ? (deg - governor.last_deg) * rad_per_deg / span_s : state.omega_rad_s;
  governor.last_t_s = t_s;
  governor.last_deg = deg;
  const double inertia = model.inertia_kg_m2;
  const double error = target_rad_s - mean;
  const double proportional = inertia * error / model.governor_s;
  const double forward = model.friction_nm + model.friction_nm_s * target_rad_s + inertia * target_slope;
  const double cycle_rad = cycle_deg * rad_per_deg;
  const double heat_per_nm = cycle_rad / (static_cast<double>(cylinders.size()) * tables.work_per_heat());
  const double wanted = (forward + proportional + governor.integral_nm) * heat_per_nm;
  if (wanted > 0 && wanted < model.heat_max_j && span_s < 0.5) {
    governor.integral_nm += proportional * span_s / (4 * model.governor_s);
  }
  return std::clamp(wanted, 0.0, model.heat_max_j) * std::max(0.0, 1.0 + model.burn_scatter * random.normal());
}

void CrankModel::Impl::shut_cylinder(Cylinder& cylinder, double deg) {
  cylinder.shut = true;
  cylinder.charge = tables.charge();
  cylinder.heat_j = deg < 0 && state.omega_rad_s > 0 && fuel ? governed_heat() : 0.0;
}

// Brings each cylinder's gas to the end of the step: valves, heat, kick-back, leak.
void CrankModel::Impl::settle_gas(double step_s) {
  for (Cylinder& cylinder : cylinders) {
    const double deg = angle_from_tdc(cylinder, state.theta_rad / rad_per_deg);
    const bool shut = std::fabs(deg) <= tables.closed_deg();
    if (!shut) {
      cylinder.shut = false;
      cylinder.heat_j = 0;
      continue;
    }
    if (!cylinder.shut) {
      shut_cylinder(cylinder, deg);
    } else if (cylinder.heat_j > 0 && deg > cylinder.from_deg) {
      cylinder.charge += cylinder.heat_j * (tables.at(deg).heat - tables.at(cylinder.from_deg).heat);
    }
    if (kick && t_s >= kick->after_s && cylinder.from_deg < -kick->advance_deg && deg >= -kick->advance_deg &&
        deg < 0) {
      cylinder.charge += (model.polytropic - 1) * tables.polytrope(deg) / tables.volume_m3(deg) * kick->heat_j;
      kick.reset();
    }
    if (model.leak_s > 0) {
      const double ambient = model.ambient_kpa * 1e3 * tables.polytrope(deg);
      cylinder.charge += (ambient - cylinder.charge) * -std::expm1(-step_s / model.leak_s);
    }
  }
}

// +1 or -1 when the torque overcomes the standing friction, 0 when the crank stays.
double CrankModel::Impl::direction_from_rest() const {
  const double torque = driving_torque(state.theta_rad, 0);
  if (std::fabs(torque) <= model.breakaway_nm) {
    return 0;
  }
  return torque > 0 ? 1 : -1;
}

// One step of at most `longest_s`; ends early, exactly at standstill, when the crank would reverse. Returns its length.
double CrankModel::Impl::step_once(double longest_s) {
  const double speed_deg_s = std::fabs(state.omega_rad_s) / rad_per_deg;
  double step_s = std::min(longest_s, model.step_ms * 1e-3);
  if (speed_deg_s * step_s > model.step_deg) {
    step_s = model.step_deg / speed_deg_s;
  }
  begin_step();
  const bool standing = state.omega_rad_s == 0;
  const double direction = standing ? direction_from_rest() : std::copysign(1.0, state.omega_rad_s);
  if (direction != 0) {
    CrankState next = runge_kutta(step_s, direction);
    if (next.omega_rad_s * direction <= 0) {
      // Regula falsi on the step length; the last bit of speed is then dropped.
      double low_s = 0;
      double low_w = state.omega_rad_s;
      double high_s = step_s;
      double high_w = next.omega_rad_s;
      for (int round = 0; round < 8 && !standing; ++round) {
        step_s = low_s + (high_s - low_s) * low_w / (low_w - high_w);
        next = runge_kutta(step_s, direction);
        if (next.omega_rad_s * direction > 0) {
          low_s = step_s;
          low_w = next.omega_rad_s;
        } else {
          high_s = step_s;
          high_w = next.omega_rad_s;
        }
      }
      next.omega_rad_s = 0;
    }
    state = next;
  }
  t_s += step_s;
  starter = starter && !(fuel && state.omega_rad_s > started_share * model.starter_free_rpm * rad_s_per_rpm);
  settle_gas(step_s);
  return step_s;
}

void CrankModel::Impl::set_target(const Phase& phase, double into_s) {
  const double from = phase.rpm * rad_s_per_rpm;
  const double to = phase.rpm_end * rad_s_per_rpm;
  if (phase.kind == PhaseKind::ramp) {
    target_slope = (to - from) / phase.duration_s;
    target_rad_s = from + target_slope * into_s;
  } else if (phase.kind == PhaseKind::sweep) {
    const double turn = std::fmod(into_s / phase.period_s, 1.0);
    const double up = turn < 0.5 ? 1.0 : -1.0;
    target_slope = up * 2 * (to - from) / phase.period_s;
    target_rad_s = from + (to - from) * (turn < 0.5 ? 2 * turn : 2 - 2 * turn);
  } else {
    target_slope = 0;
    target_rad_s = from;
  }
}

CrankModel::CrankModel(const Engine& engine, const EngineModel& model, std::uint64_t seed)
    : impl_(std::make_unique<Impl>(engine, model, seed)) {}
CrankModel::~CrankModel() = default;
CrankModel::CrankModel(CrankModel&&) noexcept = default;

void CrankModel::place(const Knot& knot) {
  Impl& run = *impl_;
  run.state = {knot.crank_deg * rad_per_deg, knot.speed_deg_s * rad_per_deg};
  run.t_s = 0;
  run.governor.last_t_s = 0;
  run.governor.last_deg = knot.crank_deg;
  for (Cylinder& cylinder : run.cylinders) {
    const double deg = run.angle_from_tdc(cylinder, knot.crank_deg);
    cylinder.heat_j = 0;
    cylinder.shut = std::fabs(deg) <= run.tables.closed_deg();
    // A crank that stands has leaked down; one that turns holds what it closed on.
    const bool leaked = knot.speed_deg_s == 0 && run.model.leak_s > 0;
    cylinder.charge = leaked ? run.model.ambient_kpa * 1e3 * run.tables.polytrope(deg) : run.tables.charge();
  }
}

bool CrankModel::drive(const Phase& phase, Motion& motion) {
  Impl& run = *impl_;
  run.fuel = phase.kind == PhaseKind::run || phase.kind == PhaseKind::ramp || phase.kind == PhaseKind::sweep;
  // Whoever starts an engine holds the starter until it fires: it goes over into a phase with fuel.
  run.starter = phase.kind == PhaseKind::crank || (run.fuel && run.starter);
  run.kick = phase.kick_back;
  const double start_s = motion.back().t_s;
  // The clock inside starts with the phase, so that long runs lose no precision.
  run.governor.last_t_s -= run.t_s;
  run.t_s = 0;
  while (run.t_s < phase.duration_s - 1e-12) {
    run.set_target(phase, run.t_s);
    const bool stood = run.state.omega_rad_s == 0;
    const double step_s = run.step_once(phase.duration_s - run.t_s);
    if (!(std::fabs(run.state.omega_rad_s) < runaway_rad_s)) {
      return false;
    }
    const Knot knot{start_s + run.t_s, run.state.theta_rad / rad_per_deg, run.state.omega_rad_s / rad_per_deg};
    const bool stands = stood && knot.speed_deg_s == 0 && knot.crank_deg == motion.back().crank_deg;
    if (stands && motion.size() > 1 && motion[motion.size() - 2].crank_deg == knot.crank_deg &&
        motion[motion.size() - 2].speed_deg_s == 0) {
      motion.back().t_s = knot.t_s;  // one long standstill, not thousands of knots
    } else if (step_s > 0 && knot.t_s > motion.back().t_s) {
      motion.push_back(knot);
    }
  }
  return true;
}

double CrankModel::kinetic_j() const {
  const CrankState& state = impl_->state;
  return 0.5 * impl_->inertia_at(state.theta_rad).inertia * state.omega_rad_s * state.omega_rad_s;
}

double CrankModel::gas_j() const {
  const Impl& run = *impl_;
  const double closed_m3 = run.tables.volume_m3(run.tables.closed_deg());
  const double n = run.model.polytropic;
  double sum = 0;
  for (const Cylinder& cylinder : run.cylinders) {
    const double deg = run.angle_from_tdc(cylinder, run.state.theta_rad / rad_per_deg);
    if (std::fabs(deg) <= run.tables.closed_deg()) {
      const double volume_m3 = run.tables.volume_m3(deg);
      sum += cylinder.charge / (n - 1) * (std::pow(volume_m3, 1 - n) - std::pow(closed_m3, 1 - n));
      sum -= run.model.ambient_kpa * 1e3 * (closed_m3 - volume_m3);
    }
  }
  return sum;
}

Motion drive_scenario(const Engine& engine, const Scenario& scenario) {
  Motion motion;
  double rpm = scenario.start_rpm.value_or(0);
  if (!scenario.start_rpm && !scenario.phases.empty()) {
    const Phase& first = scenario.phases.front();
    const bool stands =
        first.kind == PhaseKind::rest || first.kind == PhaseKind::crank || first.kind == PhaseKind::run_down;
    rpm = stands ? 0.0 : first.rpm;
  }
  motion.push_back({0, scenario.start_deg, rpm * deg_per_s_per_rpm});
  CrankModel model(engine, scenario.model, scenario.seed);
  bool placed = false;
  for (const Phase& phase : scenario.phases) {
    if (phase.kind == PhaseKind::profile) {
      drive_profile(phase, motion);
      placed = false;
      continue;
    }
    if (!placed) {
      model.place(motion.back());
      placed = true;
    }
    if (!model.drive(phase, motion)) {
      break;
    }
  }
  return motion;
}

}  // namespace cw::sim
