#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include <gtest/gtest.h>

#include "geometry/angle.hpp"
#include "simulate/crank_model.hpp"
#include "simulate/simulation.hpp"
#include "trial_engine.hpp"

namespace cw::sim {
namespace {

EngineModel without_friction() {
  EngineModel model;
  model.friction_nm = 0;
  model.friction_nm_s = 0;
  model.breakaway_nm = 0;
  model.leak_s = 0;
  return model;
}

// A flywheel alone: pistons without mass, a bore of a twentieth of a millimetre.
EngineModel flywheel_only() {
  EngineModel model = without_friction();
  model.bore_mm = 0.05;
  model.reciprocating_kg = 0;
  return model;
}

Motion run_down(const EngineModel& model, double rpm, double duration_s) {
  Motion motion = {{0, 300, rpm * 6}};
  CrankModel crank(trial_engine(), model, 1);
  crank.place(motion.back());
  crank.drive(driven(PhaseKind::run_down, duration_s), motion);
  return motion;
}

// First law: without friction, leak and fuel, what the crank loses the gas holds (kinetic + gas energy constant).
TEST(CrankModel, conserves_energy_without_friction) {
  for (const double rpm : {400.0, 3000.0}) {
    Motion motion = {{0, 300, rpm * 6}};
    CrankModel crank(trial_engine(), without_friction(), 1);
    crank.place(motion.back());
    const double before_j = crank.kinetic_j() + crank.gas_j();
    double swing_j = 0;
    for (int i = 0; i < 1000; ++i) {
      crank.drive(driven(PhaseKind::run_down, 0.0101), motion);
      swing_j = std::max(swing_j, std::fabs(crank.gas_j()));
      ASSERT_NEAR(crank.kinetic_j() + crank.gas_j(), before_j, 2e-4 * before_j) << rpm << " rpm, round " << i;
    }
    EXPECT_GT(swing_j, 60);  // and the gas did take part: about 90 J a compression
  }
}

// Compression work of p V^n = const less the work of the air behind the piston, in closed form.
TEST(CrankModel, compression_takes_the_polytropic_work) {
  const EngineModel model = without_friction();
  const CylinderTables tables(model, 720);
  const double v1 = tables.volume_m3(model.closed_deg);
  const double v2 = tables.volume_m3(0);
  const double p1 = model.ambient_kpa * 1e3;
  const double n = model.polytropic;
  const double closed_form = p1 * v1 / (n - 1) * (std::pow(v1 / v2, n - 1) - 1) - p1 * (v1 - v2);
  double sum = 0;
  for (int i = 0; i < 1400; ++i) {  // 140 degrees of compression
    const double deg = 0.1 * i - model.closed_deg;
    const CylinderTables::Row row = tables.at(deg + 0.05);
    sum -= (tables.charge() * row.expand - row.ambient) * 0.1 * std::numbers::pi / 180;
  }
  EXPECT_NEAR(sum, closed_form, 1e-3 * closed_form);
  // Geometry: volume at BDC over volume at TDC is the compression ratio (its definition).
  EXPECT_NEAR(tables.volume_m3(180) / v2, model.compression_ratio, 1e-9);
}

double end_deg(double step_deg, double leak_s) {
  EngineModel model;
  model.leak_s = leak_s;
  model.step_deg = step_deg;
  model.step_ms = 100;
  return run_down(model, 1200, 0.8).back().crank_deg;
}

// The end angle converges as the step is halved. Blow-by makes the pressure jump when the valves open, which a step
// that spans it sees up to a step late: still under a tenth of a degree after ten revolutions.
TEST(CrankModel, converges_with_the_step) {
  const double fine = end_deg(0.1, 0);
  const double coarse = std::fabs(end_deg(6, 0) - fine);
  const double usual = std::fabs(end_deg(1.5, 0) - fine);
  EXPECT_LT(usual, 0.02);
  EXPECT_LT(usual, 0.25 * coarse);
  EXPECT_LT(std::fabs(end_deg(1.5, 0.6) - end_deg(0.1, 0.6)), 0.1);
}

// I dw/dt = -T: the flywheel stops after I w0 / T, having turned w0^2 I / (2 T). Mechanics, closed form.
TEST(CrankModel, a_flywheel_with_constant_friction_stops_when_it_must) {
  EngineModel model = flywheel_only();
  model.friction_nm = 10;
  model.breakaway_nm = 12;
  const Motion motion = run_down(model, 600, 2);
  const double w0 = 600 * std::numbers::pi / 30;
  const double stop_s = model.inertia_kg_m2 * w0 / 10;
  const auto stopped =
      std::find_if(motion.begin(), motion.end(), [](const Knot& knot) { return knot.speed_deg_s == 0; });
  ASSERT_NE(stopped, motion.end());
  EXPECT_NEAR(stopped->t_s, stop_s, 1e-4);
  EXPECT_NEAR(stopped->crank_deg - 300, w0 * stop_s / 2 * 180 / std::numbers::pi, 0.002);
  EXPECT_EQ(motion.back().crank_deg, stopped->crank_deg);
}

// I dw/dt = -b w: w = w0 exp(-b t / I). Mechanics, closed form.
TEST(CrankModel, a_flywheel_with_viscous_friction_decays_exponentially) {
  EngineModel model = flywheel_only();
  model.friction_nm_s = 0.05;
  const Motion motion = run_down(model, 3000, 2);
  EXPECT_NEAR(motion.back().speed_deg_s / 6, 3000 * std::exp(-0.05 * 2 / model.inertia_kg_m2), 0.5);
}

// One degree of freedom with massive pistons and nothing else: I(theta) w^2 is constant (Lagrange).
TEST(CrankModel, piston_mass_alone_makes_speed_ripple_of_the_right_size) {
  EngineModel model = without_friction();
  model.bore_mm = 1;
  model.reciprocating_kg = 1;
  const Motion motion = run_down(model, 3000, 0.2);
  const auto [least, greatest] = std::minmax_element(
      motion.begin(), motion.end(), [](const Knot& a, const Knot& b) { return a.speed_deg_s < b.speed_deg_s; });
  // Four cylinders 180 degrees apart, R = 3.5: the sum of (dx/dt / r)^2 swings between 0 (all at dead centre) and
  // 4 * 1 (all at 90 degrees, where d(x/r)/dt = 1 exactly), a little more beside it.
  const double moment = 0.043 * 0.043;
  const double ratio = std::sqrt((model.inertia_kg_m2 + 4 * moment) / model.inertia_kg_m2);
  EXPECT_NEAR(greatest->speed_deg_s / least->speed_deg_s, ratio, 0.002);
}

TEST(CrankModel, cranks_at_least_as_unevenly_as_published_and_at_firing_order) {
  Scenario scenario;
  scenario.phases = {driven(PhaseKind::crank, 4)};
  const Truth truth = simulate(trial_engine(), scenario).truth;
  double least = 1e9;
  double greatest = 0;
  int peaks = 0;
  const auto rpm_at = [&](int ms) { return position_at(truth, ms * 1000000LL).rpm; };
  for (int ms = 2000; ms < 4000; ++ms) {
    const double rpm = rpm_at(ms);
    least = std::min(least, rpm);
    greatest = std::max(greatest, rpm);
    peaks += rpm > rpm_at(ms - 1) && rpm >= rpm_at(ms + 1) ? 1 : 0;
  }
  const double turned_deg = [&] {
    double last = 0;
    double first = 0;
    for (const TruthSample& sample : truth.samples) {
      first = sample.t_ns <= 2000000000 ? sample.crank_deg : first;
      last = sample.crank_deg;
    }
    return last - first;
  }();
  const double mean = turned_deg / 6 / 2;
  EXPECT_GT(mean, 130);  // common practice, no source: cranking is 150 to 300 rpm
  EXPECT_LT(mean, 300);
  EXPECT_GT((greatest - least) / mean, 0.93);  // Tech Briefs, test and measurement 21269: (225 - 85) / 150
  EXPECT_GT(least, 0);
  EXPECT_NEAR(peaks, turned_deg / 180, 2);  // four strokes, four cylinders: a wave each 180 degrees
}

TEST(CrankModel, starts_idles_ramps_and_reaches_12000_rpm) {
  Scenario scenario;
  scenario.phases = {driven(PhaseKind::rest, 0.2), driven(PhaseKind::crank, 1), driven(PhaseKind::run, 3, 900),
                     driven(PhaseKind::ramp, 5, 900, 12000), driven(PhaseKind::run, 1.5, 12000)};
  const Truth truth = simulate(trial_engine(), scenario).truth;
  const auto mean_rpm = [&](double from_s, double to_s) {
    double sum = 0;
    for (int i = 0; i < 1000; ++i) {
      sum += position_at(truth, static_cast<std::int64_t>((from_s + (to_s - from_s) * i / 1000) * 1e9)).rpm;
    }
    return sum / 1000;
  };
  EXPECT_EQ(position_at(truth, 100000000).rpm, 0);
  EXPECT_NEAR(mean_rpm(3.5, 4.2), 900, 30);
  EXPECT_NEAR(mean_rpm(10, 10.6), 12000, 60);
}

TEST(CrankModel, a_sweep_swings_between_its_speeds) {
  Scenario scenario;
  Phase sweep = driven(PhaseKind::sweep, 8, 1500, 4500);
  sweep.period_s = 4;
  scenario.phases = {sweep};
  const Truth truth = simulate(trial_engine(), scenario).truth;
  EXPECT_NEAR(position_at(truth, 2050000000).rpm, 4450, 200);
  EXPECT_NEAR(position_at(truth, 4050000000).rpm, 1550, 200);
  EXPECT_NEAR(position_at(truth, 6050000000).rpm, 4450, 200);
}

// What an engine does when it stops: the last compression is not got over, the crank swings back.
TEST(CrankModel, a_run_down_ends_with_a_swing_back) {
  int swung = 0;
  for (int start = 0; start < 10; ++start) {
    Scenario scenario;
    scenario.start_deg = start * 70;
    scenario.phases = {driven(PhaseKind::run, 0.5, 900), driven(PhaseKind::run_down, 4)};
    const Truth truth = simulate(trial_engine(), scenario).truth;
    swung += truth.reversals_ns.empty() ? 0 : 1;
    EXPECT_EQ(truth.samples.back().rpm, 0) << "start " << start * 70;
  }
  EXPECT_GE(swung, 8);
}

TEST(CrankModel, stalls_and_starts_again) {
  Scenario scenario;
  scenario.phases = {driven(PhaseKind::run, 1, 900), driven(PhaseKind::run_down, 3), driven(PhaseKind::crank, 1),
                     driven(PhaseKind::run, 3, 900)};
  const Truth truth = simulate(trial_engine(), scenario).truth;
  EXPECT_EQ(position_at(truth, 3900000000).rpm, 0);
  EXPECT_NEAR(position_at(truth, 7900000000).rpm, 900, 100);
}

TEST(CrankModel, burning_too_early_while_cranking_kicks_the_crank_back) {
  Scenario scenario;
  Phase crank = driven(PhaseKind::crank, 2);
  scenario.phases = {crank};
  EXPECT_TRUE(simulate(trial_engine(), scenario).truth.reversals_ns.empty());
  scenario.phases.front().kick_back = KickBack{1.0, 30, 500};
  const Truth truth = simulate(trial_engine(), scenario).truth;
  ASSERT_GE(truth.reversals_ns.size(), 2u);
  EXPECT_GT(truth.reversals_ns.front(), 1000000000);
  // 30 degrees before a TDC at the latest, or just over it.
  const double before_tdc = wrap_deg(position_at(truth, truth.reversals_ns.front()).crank_deg, 180);
  EXPECT_GT(before_tdc, 149);
  EXPECT_GT(truth.samples.back().rpm, 50);  // the starter wins in the end
}

}  // namespace
}  // namespace cw::sim
