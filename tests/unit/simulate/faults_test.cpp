// Each fault does to the edge list what it says, and nothing else. Every test runs with jitter on, so that it shows
// also that a fault leaves the noise of all other edges alone.
#include <cmath>

#include <gtest/gtest.h>

#include "geometry/angle.hpp"
#include "simulate/simulation.hpp"
#include "trial_engine.hpp"

namespace cw::sim {
namespace {

Scenario noisy() {
  Scenario scenario = steady_scenario();
  scenario.crank.noise.jitter_ns = 500;
  return scenario;
}

Fault at_cycle(FaultKind kind, int cycle, double angle_deg) {
  Fault fault;
  fault.kind = kind;
  fault.cycle = cycle;
  fault.angle_deg = angle_deg;
  return fault;
}

struct Compared {
  Simulation clean;
  Simulation faulty;
  std::vector<SimEdge> gone;
  std::vector<SimEdge> added;
};

Compared compare(const Fault& fault, const Engine& engine = trial_engine()) {
  Scenario scenario = noisy();
  Compared result;
  result.clean = simulate(engine, scenario);
  scenario.faults = {fault};
  EXPECT_EQ(find_problem(engine, scenario), std::nullopt);
  result.faulty = simulate(engine, scenario);
  result.gone = only_in(result.clean.edges, result.faulty.edges);
  result.added = only_in(result.faulty.edges, result.clean.edges);
  EXPECT_EQ(result.faulty.truth.faults_not_reached, 0);
  return result;
}

TEST(MissedEdge, takes_one_tooth_with_both_its_flanks) {
  Fault fault = at_cycle(FaultKind::missed_edge, 3, 300);
  fault.tooth = 17;
  const Compared result = compare(fault);
  EXPECT_TRUE(result.added.empty());
  ASSERT_EQ(result.gone.size(), 2u);
  EXPECT_TRUE(result.gone[0].rising);
  EXPECT_FALSE(result.gone[1].rising);
  ASSERT_EQ(result.faulty.truth.faults.size(), 1u);
  const TruthFault& truth = result.faulty.truth.faults.front();
  EXPECT_EQ(truth.kind, "missed-edge");
  EXPECT_EQ(truth.tooth, 17);
  EXPECT_EQ(truth.cycle, 3);
  EXPECT_EQ(truth.t_ns, result.gone[1].t_ns);
  EXPECT_NEAR(truth.crank_deg, 246 + 16 * 6, 0.02);  // 500 ns are 0.003 degrees here
}

TEST(MissedEdge, takes_several_in_a_row) {
  Fault fault = at_cycle(FaultKind::missed_edge, 3, 300);
  fault.tooth = 57;
  fault.count = 3;  // 57, 58 and, over the gap, 1
  const Compared result = compare(fault);
  EXPECT_TRUE(result.added.empty());
  EXPECT_EQ(result.gone.size(), 6u);
  ASSERT_EQ(result.faulty.truth.faults.size(), 3u);
  EXPECT_EQ(result.faulty.truth.faults[1].tooth, 58);
  EXPECT_EQ(result.faulty.truth.faults[2].tooth, 1);
}

TEST(MissedEdge, comes_again_every_third_cycle_until_its_end) {
  Fault fault = at_cycle(FaultKind::missed_edge, 2, 0);
  fault.tooth = 5;
  fault.every_cycles = 3;
  fault.for_s = 1.0;  // 8.3 cycles: at cycles 2, 5, 8
  const Compared result = compare(fault);
  EXPECT_EQ(result.gone.size(), 6u);
  ASSERT_EQ(result.faulty.truth.faults.size(), 3u);
  EXPECT_EQ(result.faulty.truth.faults[2].cycle, 8);
}

TEST(MissedEdge, of_the_capture_takes_the_active_edge_alone) {
  Fault fault = at_cycle(FaultKind::missed_edge, 3, 300);
  fault.one_edge = true;
  const Compared result = compare(fault);
  EXPECT_TRUE(result.added.empty());
  ASSERT_EQ(result.gone.size(), 1u);
  EXPECT_FALSE(result.gone.front().rising);
}

TEST(ExtraEdge, adds_one_pulse_at_the_stated_fraction) {
  for (const double fraction : {0.3, 0.8}) {
    Fault fault = at_cycle(FaultKind::extra_edge, 3, 300);
    fault.tooth = 17;
    fault.fraction = fraction;
    const Compared result = compare(fault);
    EXPECT_TRUE(result.gone.empty());
    ASSERT_EQ(result.added.size(), 2u);
    const SimEdge& active = result.added[0].rising ? result.added[1] : result.added[0];
    EXPECT_FALSE(active.rising);
    EXPECT_NEAR(position_at(result.faulty.truth, active.t_ns).crank_deg, 342 + 6 * fraction, 0.02);
    EXPECT_NEAR(static_cast<double>(result.added[1].t_ns - result.added[0].t_ns), 20000, 1.0);
    // Low in the first half of a pitch, high in the second: the pulse goes the other way.
    EXPECT_EQ(result.added[0].rising, fraction < 0.5);
    ASSERT_EQ(result.faulty.truth.faults.size(), 1u);
    EXPECT_EQ(result.faulty.truth.faults.front().tooth, 17);
    EXPECT_EQ(result.faulty.truth.faults.front().t_ns, active.t_ns);
  }
}

TEST(ExtraEdge, in_the_gap_divides_the_gap) {
  Fault fault = at_cycle(FaultKind::extra_edge, 3, 500);
  fault.tooth = 58;
  const Compared result = compare(fault);
  ASSERT_EQ(result.added.size(), 2u);
  // Tooth 58 stands at 246 + 57 * 6 = 588, tooth 1 at 606.
  EXPECT_NEAR(result.faulty.truth.faults.front().crank_deg, 597, 0.02);
}

TEST(NoiseBurst, adds_its_pulses_within_its_span) {
  Fault fault = at_cycle(FaultKind::noise_burst, 3, 100);
  fault.count = 12;
  fault.span_deg = 40;
  const Compared result = compare(fault);
  EXPECT_TRUE(result.gone.empty());
  ASSERT_EQ(result.added.size(), 24u);
  for (const SimEdge& edge : result.added) {
    const double deg = position_at(result.faulty.truth, edge.t_ns).crank_deg;
    EXPECT_GE(deg, 100);
    EXPECT_LE(deg, 140);
  }
  ASSERT_EQ(result.faulty.truth.faults.size(), 1u);
  EXPECT_EQ(result.faulty.truth.faults.front().count, 12);
}

TEST(CrankSignalStopped, silences_the_crank_and_with_it_the_ecu_but_not_the_cams) {
  Fault fault;
  fault.kind = FaultKind::crank_signal_stopped;
  fault.at_s = 0.5005;
  fault.for_s = 0.3;
  Scenario scenario = noisy();
  scenario.faults = {fault};
  scenario.ecu.starts_after_deg = 720;
  const Simulation clean = simulate(trial_engine(), noisy());
  const Simulation result = simulate(trial_engine(), scenario);
  for (const SimEdge& edge : result.edges) {
    if (result.channels[edge.channel] == "crank") {
      EXPECT_TRUE(edge.t_ns < 500500000 || edge.t_ns >= 800500000) << edge.t_ns;
    }
    if (result.channels[edge.channel] == "ref" && !edge.rising) {
      EXPECT_TRUE(edge.t_ns < 500500000 || edge.t_ns >= 920500000) << edge.t_ns;
    }
  }
  EXPECT_EQ(times_of(clean, "cam1", false), times_of(result, "cam1", false));
  const auto a = times_of(clean, "crank", false);
  const auto b = times_of(result, "crank", false);
  ASSERT_EQ(result.truth.faults.size(), 1u);
  EXPECT_EQ(a.size() - b.size(), static_cast<std::size_t>(result.truth.faults.front().count));
  EXPECT_EQ(result.truth.faults.front().end_ns, 800500000);
}

TEST(CamEdgeMissing, takes_the_named_edge_of_the_named_cam) {
  Fault fault = at_cycle(FaultKind::cam_edge_missing, 4, 0);
  fault.cam = "exhaust";
  fault.tooth = 2;
  const Compared result = compare(fault);
  EXPECT_TRUE(result.added.empty());
  ASSERT_EQ(result.gone.size(), 2u);
  ASSERT_EQ(result.faulty.truth.faults.size(), 1u);
  EXPECT_NEAR(result.faulty.truth.faults.front().crank_deg, 500, 0.001);
  EXPECT_EQ(result.faulty.truth.faults.front().cam, "exhaust");
  EXPECT_EQ(result.faulty.channels[result.gone.front().channel], "cam2");
}

TEST(CamSignalDead, silences_one_cam_to_the_end) {
  Fault fault = at_cycle(FaultKind::cam_signal_dead, 4, 0);
  fault.cam = "intake";
  const Compared result = compare(fault);
  EXPECT_TRUE(result.added.empty());
  for (const SimEdge& edge : edges_of(result.faulty, "cam1")) {
    EXPECT_LT(edge.t_ns, 480000000);
  }
  EXPECT_EQ(times_of(result.clean, "cam2", false), times_of(result.faulty, "cam2", false));
  EXPECT_FALSE(result.faulty.truth.faults.front().end_ns.has_value());
}

TEST(CamExtraEdge, adds_a_pulse_between_two_edges) {
  Fault fault = at_cycle(FaultKind::cam_extra_edge, 4, 0);
  fault.tooth = 1;
  fault.fraction = 0.25;
  const Compared result = compare(fault);
  EXPECT_TRUE(result.gone.empty());
  ASSERT_EQ(result.added.size(), 2u);
  EXPECT_NEAR(result.faulty.truth.faults.front().crank_deg, 62 + 0.25 * 180, 0.001);
}

// One tooth of an N-tooth cam gear is 720 / N crank degrees: 48 teeth 15, 40 teeth 18. Arithmetic; common practice.
TEST(CamStep, one_tooth_moves_the_cam_by_720_over_its_gear) {
  for (const auto& [gear, expected_deg] : {std::pair(48, 15.0), std::pair(40, 18.0)}) {
    for (const int teeth : {1, -1, 2}) {
      Engine engine = trial_engine();
      engine.cams[0].gear_teeth = gear;
      Fault fault = at_cycle(FaultKind::cam_step, 5, 120);
      fault.cam = "intake";
      fault.teeth = teeth;
      const Compared result = compare(fault, engine);
      const auto a = times_of(result.clean, "cam1", false);
      const auto b = times_of(result.faulty, "cam1", false);
      // The fourth edge (602) of each cycle: before the step, and well after it.
      EXPECT_EQ(a[15], b[15]);
      EXPECT_NEAR(static_cast<double>(b[31] - a[31]), teeth * expected_deg / 6000 * 1e9, 2.0);
      EXPECT_EQ(times_of(result.clean, "crank", false), times_of(result.faulty, "crank", false));
      EXPECT_EQ(times_of(result.clean, "cam2", false), times_of(result.faulty, "cam2", false));
      EXPECT_EQ(result.faulty.truth.faults.front().value, teeth);
    }
  }
}

TEST(CamStep, without_a_name_moves_all_cams) {
  Fault fault = at_cycle(FaultKind::cam_step, 5, 120);
  fault.teeth = 1;
  const Compared result = compare(fault);
  ASSERT_EQ(result.faulty.truth.faults.size(), 2u);
  const auto a = times_of(result.clean, "cam2", false);
  const auto b = times_of(result.faulty, "cam2", false);
  EXPECT_NEAR(static_cast<double>(b[16] - a[16]), 18.0 / 6000 * 1e9, 2.0);
}

TEST(CrankWheelStep, moves_teeth_and_ecu_but_neither_cams_nor_the_true_tdc) {
  Fault fault = at_cycle(FaultKind::crank_wheel_step, 5, 120);
  fault.deg = 4;
  const Compared result = compare(fault);
  EXPECT_EQ(times_of(result.clean, "cam1", false), times_of(result.faulty, "cam1", false));
  EXPECT_EQ(result.clean.truth.tdc1_ns, result.faulty.truth.tdc1_ns);
  const double late_ns = 4.0 / 6000 * 1e9;
  const auto a = times_of(result.clean, "ref", false);
  const auto b = times_of(result.faulty, "ref", false);
  EXPECT_EQ(a[3], b[3]);
  EXPECT_NEAR(static_cast<double>(b[8] - a[8]), late_ns, 2.0);
  const Truth& truth = result.faulty.truth;
  EXPECT_EQ(truth.wheel_tdc1_ns[3], truth.tdc1_ns[3]);
  EXPECT_NEAR(static_cast<double>(truth.wheel_tdc1_ns[8] - truth.tdc1_ns[8]), late_ns, 2.0);
  EXPECT_NEAR(position_at(truth, truth.wheel_tdc1_ns[8] + 1000).wheel_deg, 0.006, 0.001);
  const auto teeth_a = times_of(result.clean, "crank", false);
  const auto teeth_b = times_of(result.faulty, "crank", false);
  EXPECT_NEAR(static_cast<double>(teeth_b[1500] - teeth_a[1500]), late_ns, 2.0);
}

TEST(ReferenceError, moves_the_ecu_alone_by_degrees) {
  for (const double deg : {3.0, -2.5}) {
    Fault fault = at_cycle(FaultKind::reference_error, 5, 120);
    fault.deg = deg;
    const Compared result = compare(fault);
    const auto a = times_of(result.clean, "ref", false);
    const auto b = times_of(result.faulty, "ref", false);
    ASSERT_EQ(a.size(), b.size());
    EXPECT_EQ(a[4], b[4]);
    EXPECT_NEAR(static_cast<double>(b[5] - a[5]), deg / 6000 * 1e9, 2.0);
    EXPECT_EQ(times_of(result.clean, "crank", false), times_of(result.faulty, "crank", false));
  }
}

TEST(ReferenceDelay, moves_the_ecu_alone_by_microseconds) {
  Fault fault = at_cycle(FaultKind::reference_delay, 5, 120);
  fault.us = 80;
  fault.for_s = 0.5;  // about four cycles
  const Compared result = compare(fault);
  const auto a = times_of(result.clean, "ref", false);
  const auto b = times_of(result.faulty, "ref", false);
  EXPECT_EQ(a[4], b[4]);
  EXPECT_NEAR(static_cast<double>(b[6] - a[6]), 80000, 1.0);
  EXPECT_EQ(a[12], b[12]);
}

TEST(ReferenceMissing, takes_whole_pulses) {
  Fault fault = at_cycle(FaultKind::reference_missing, 5, 120);
  fault.count = 2;
  const Compared result = compare(fault);
  EXPECT_TRUE(result.added.empty());
  EXPECT_EQ(result.gone.size(), 4u);
  EXPECT_EQ(result.faulty.truth.faults.size(), 2u);
}

TEST(Faults, that_are_never_reached_are_counted_and_do_nothing) {
  Scenario scenario = noisy();
  const auto clean = simulate(trial_engine(), scenario).edges;
  scenario.faults = {at_cycle(FaultKind::missed_edge, 1000, 0)};
  const Simulation result = simulate(trial_engine(), scenario);
  EXPECT_EQ(result.edges, clean);
  EXPECT_TRUE(result.truth.faults.empty());
  EXPECT_EQ(result.truth.faults_not_reached, 1);
}

TEST(Faults, that_do_not_fit_the_engine_are_refused) {
  Scenario scenario = noisy();
  Fault fault = at_cycle(FaultKind::missed_edge, 1, 0);
  fault.tooth = 59;
  scenario.faults = {fault};
  ASSERT_TRUE(find_problem(trial_engine(), scenario).has_value());
  EXPECT_NE(find_problem(trial_engine(), scenario)->find("tooth"), std::string::npos);
  fault = at_cycle(FaultKind::cam_step, 1, 0);
  fault.cam = "third";
  fault.teeth = 1;
  scenario.faults = {fault};
  EXPECT_TRUE(find_problem(trial_engine(), scenario).has_value());
}

}  // namespace
}  // namespace cw::sim
