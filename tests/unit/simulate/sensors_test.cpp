#include <cmath>
#include <map>
#include <vector>

#include <gtest/gtest.h>

#include "geometry/angle.hpp"
#include "simulate/simulation.hpp"
#include "trial_engine.hpp"

namespace cw::sim {
namespace {

void expect_in_order_and_alternating(const Simulation& result) {
  std::int64_t last_ns = 0;
  std::map<int, bool> level;
  for (const SimEdge& edge : result.edges) {
    ASSERT_GE(edge.t_ns, last_ns);
    last_ns = edge.t_ns;
    const auto found = level.find(edge.channel);
    if (found != level.end()) {
      ASSERT_NE(found->second, edge.rising) << "at " << edge.t_ns;
    }
    level[edge.channel] = edge.rising;
  }
}

TEST(Sensors, active_edges_stand_at_the_geometry_and_the_others_a_tooth_width_away) {
  for (const bool rising : {false, true}) {
    Engine engine = trial_engine();
    engine.crank.active_edge = rising ? ActiveEdge::rising : ActiveEdge::falling;
    Scenario scenario = steady_scenario();
    scenario.crank.duty = 0.25;
    const Simulation result = simulate(engine, scenario);
    for (const SimEdge& edge : edges_of(result, "crank")) {
      // 246 = 41 * 6: active edges on whole multiples of 6 degrees; a tooth is high and 1.5 degrees wide.
      const double within = wrap_deg(position_at(result.truth, edge.t_ns).crank_deg + 1e-4, 6);
      const double expected = edge.rising == rising ? 0 : rising ? 1.5 : 4.5;
      ASSERT_NEAR(within, expected + 1e-4, 2e-5) << edge.t_ns;
    }
  }
}

TEST(Sensors, a_half_moon_is_high_for_half_a_turn_of_the_cam) {
  Engine engine = trial_engine();
  engine.cams = {trial_cam("intake", "cam1", {400}, 44)};
  Scenario scenario = steady_scenario();
  CamSensor cam;
  cam.name = "intake";
  cam.width_deg = 360;
  scenario.cams = {cam};
  const Simulation result = simulate(engine, scenario);
  for (const SimEdge& edge : edges_of(result, "cam1")) {
    ASSERT_NEAR(position_at(result.truth, edge.t_ns).crank_deg, edge.rising ? 40 : 400, 1e-4);
  }
}

TEST(Sensors, cams_listed_by_both_edges_give_both) {
  Engine engine = trial_engine();
  CamPattern cam = trial_cam("intake", "cam1", {}, 44);
  cam.edges = {
      {30, ActiveEdge::rising}, {90, ActiveEdge::falling}, {300, ActiveEdge::rising}, {500, ActiveEdge::falling}};
  engine.cams = {cam};
  const Simulation result = simulate(engine, steady_scenario());
  const double expected[4] = {30, 90, 300, 500};
  const auto edges = edges_of(result, "cam1");
  ASSERT_GE(edges.size(), 60u);
  for (std::size_t i = 0; i < edges.size(); ++i) {
    ASSERT_NEAR(position_at(result.truth, edges[i].t_ns).crank_deg, expected[i % 4], 1e-4);
    ASSERT_EQ(edges[i].rising, i % 2 == 0);
  }
}

// The voltage between two teeth as reluctor.hpp states it, searched for its crossing by halving.
double crossing_by_search(double threshold, double space_deg, double fade_deg, double rpm) {
  const auto above = [&](double x) {
    return rpm * (std::exp(-x / fade_deg) - std::exp(-(space_deg - x) / fade_deg)) > threshold;
  };
  double low = 0;
  double high = space_deg;
  for (int i = 0; i < 60; ++i) {
    const double middle = (low + high) / 2;
    (above(middle) ? low : high) = middle;
  }
  return low - space_deg / 2;
}

TEST(Reluctor, wired_backwards_crosses_where_its_voltage_does) {
  const Reluctor reluctor;
  for (const double rpm : {150.0, 400.0, 1000.0, 6000.0}) {
    for (const double space_deg : {6.0, 18.0}) {
      EXPECT_NEAR(crossing_deg(reluctor, space_deg, 1.8, rpm), crossing_by_search(6, space_deg, 1.8, rpm), 1e-9);
    }
  }
  // Hardly moved between teeth, by degrees in the gap of 60-2, less the faster it turns.
  EXPECT_NEAR(crossing_deg(reluctor, 6, 1.8, 200), -0.1426, 1e-3);
  EXPECT_NEAR(crossing_deg(reluctor, 18, 1.8, 200), -2.7733, 1e-3);
  EXPECT_NEAR(crossing_deg(reluctor, 18, 1.8, 6000), -0.1334, 1e-3);
  EXPECT_GT(crossing_scatter_deg(reluctor, 18, 1.8, 1000), 20 * crossing_scatter_deg(reluctor, 6, 1.8, 1000));
}

// 60-2: the crossings beside the gap lie half a pitch before its last tooth and after its first, and one in the gap. So
// instead of one step of 18 degrees there are two that share 24, unevenly, and less so at speed.
TEST(Sensors, a_reluctor_wired_backwards_shows_two_uneven_steps_for_the_gap) {
  double uneven_before_deg = 100;
  for (const double rpm : {200.0, 800.0, 5000.0}) {
    Scenario scenario;
    scenario.phases = {steady(rpm, 5)};
    scenario.crank.backwards = Reluctor{6, 0, 0.3};
    const auto times = times_of(simulate(trial_engine(), scenario), "crank", false);
    ASSERT_GT(times.size(), 2 * 58U);
    std::vector<double> steps_deg;
    for (std::size_t i = 1; i < times.size(); ++i) {
      steps_deg.push_back(static_cast<double>(times[i] - times[i - 1]) * 6e-9 * rpm);
    }
    const auto first = std::find_if(steps_deg.begin() + 1, steps_deg.end() - 58, [](double deg) { return deg > 6.5; });
    const double uneven_deg = *(first + 1) - *first;
    EXPECT_NEAR(*first + *(first + 1), 24, 1e-3) << rpm;
    EXPECT_GT(uneven_deg, 0.1) << rpm;
    EXPECT_LT(uneven_deg, uneven_before_deg) << rpm;
    EXPECT_NEAR(*(first + 2), 6, 1e-3) << rpm;
    EXPECT_NEAR(*(first + 58), *first, 1e-3) << rpm;  // 58 edges a turn, as many as teeth
    uneven_before_deg = uneven_deg;
  }
}

TEST(Sensors, a_wheel_on_the_cam_goes_round_once_a_cycle_with_the_play_of_its_drive) {
  Engine engine = trial_engine();
  engine.crank.shaft = WheelShaft::cam;
  engine.crank.period_deg = 720;
  engine.crank.teeth = listed_teeth({0, 30, 120, 240, 360, 480, 600});
  engine.crank.positions = 7;
  Scenario scenario = steady_scenario();
  scenario.crank.torsion_deg = 0.2;
  const Simulation result = simulate(engine, scenario);
  double squares = 0;
  int edges = 0;
  for (const std::int64_t t_ns : times_of(result, "crank", false)) {
    const double deg = wrap_deg(position_at(result.truth, t_ns).crank_deg + 114, 720);
    double off_deg = 360;
    for (const WheelTooth& tooth : engine.crank.teeth) {
      const double off = wrap_signed_deg(deg - tooth.angle_deg, 720);
      off_deg = std::fabs(off) < std::fabs(off_deg) ? off : off_deg;
    }
    squares += off_deg * off_deg;
    ++edges;
  }
  EXPECT_GT(edges, 50);
  EXPECT_NEAR(std::sqrt(squares / edges), 0.2, 0.05);
  engine.crank.shaft = WheelShaft::crank;
  EXPECT_TRUE(find_problem(engine, scenario).has_value());
}

// Backwards the other flank comes first: what fell now rises, at the same angle of the wheel.
TEST(Sensors, edges_swap_when_the_crank_swings_back) {
  Scenario scenario;
  scenario.start_deg = 140;
  scenario.crank.duty = 0.25;
  scenario.phases = {driven(PhaseKind::run, 0.5, 900), driven(PhaseKind::run_down, 4)};
  scenario.sample_deg = 1;
  const Simulation result = simulate(trial_engine(), scenario);
  ASSERT_FALSE(result.truth.reversals_ns.empty());
  int backwards = 0;
  for (const SimEdge& edge : edges_of(result, "crank")) {
    const CrankPosition position = position_at(result.truth, edge.t_ns);
    if (std::fabs(position.rpm) < 20) {
      continue;  // at the turning points the samples are too coarse to judge
    }
    const bool active_flank = std::fabs(wrap_signed_deg(position.crank_deg, 6)) < 0.05;
    const bool other_flank = std::fabs(wrap_signed_deg(position.crank_deg - 4.5, 6)) < 0.05;
    ASSERT_TRUE(active_flank || other_flank) << position.crank_deg;
    ASSERT_EQ(edge.rising, (position.rpm > 0) != active_flank) << position.crank_deg;
    backwards += position.rpm < 0 ? 1 : 0;
  }
  EXPECT_GT(backwards, 10);
  expect_in_order_and_alternating(result);
}

TEST(Sensors, jitter_has_the_stated_size_and_leaves_the_order) {
  Scenario scenario = steady_scenario();
  const Simulation clean = simulate(trial_engine(), scenario);
  scenario.crank.noise.jitter_ns = 2000;
  const Simulation noisy = simulate(trial_engine(), scenario);
  const auto a = times_of(clean, "crank", false);
  const auto b = times_of(noisy, "crank", false);
  ASSERT_EQ(a.size(), b.size());
  double squares = 0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    squares += std::pow(static_cast<double>(b[i] - a[i]), 2);
  }
  EXPECT_NEAR(std::sqrt(squares / static_cast<double>(a.size())), 2000, 100);
  EXPECT_EQ(times_of(clean, "cam1", false), times_of(noisy, "cam1", false));
  scenario.crank.noise.jitter_ns = 900000;  // more than a tooth's half: order must hold all the same
  expect_in_order_and_alternating(simulate(trial_engine(), scenario));
}

// 0.1 degrees at 6,000 degrees a second are 16.7 us.
TEST(Sensors, jitter_in_degrees_goes_with_speed) {
  Scenario scenario = steady_scenario();
  const auto a = times_of(simulate(trial_engine(), scenario), "crank", false);
  scenario.crank.noise.jitter_deg = 0.1;
  const auto b = times_of(simulate(trial_engine(), scenario), "crank", false);
  double squares = 0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    squares += std::pow(static_cast<double>(b[i] - a[i]), 2);
  }
  EXPECT_NEAR(std::sqrt(squares / static_cast<double>(a.size())), 16667, 800);
}

TEST(Sensors, known_and_unknown_delays_add_up) {
  Engine engine = trial_engine();
  const auto a = times_of(simulate(engine, steady_scenario()), "crank", false);
  engine.crank.delay_us = 7;
  Scenario scenario = steady_scenario();
  scenario.crank.noise.delay_us = 5;
  const auto b = times_of(simulate(engine, scenario), "crank", false);
  ASSERT_EQ(a.size(), b.size());
  for (std::size_t i = 0; i < a.size(); ++i) {
    ASSERT_NEAR(static_cast<double>(b[i] - a[i]), 12000, 1.0);
  }
}

TEST(Sensors, times_are_cut_to_the_tick) {
  Scenario scenario = steady_scenario();
  scenario.crank.noise.jitter_ns = 300;
  const auto fine = simulate(trial_engine(), scenario).edges;
  scenario.tick_ns = 250;
  const auto coarse = simulate(trial_engine(), scenario).edges;
  ASSERT_EQ(fine.size(), coarse.size());
  for (std::size_t i = 0; i < fine.size(); ++i) {
    ASSERT_EQ(coarse[i].t_ns, fine[i].t_ns / 250 * 250);
  }
}

TEST(Sensors, pitch_errors_and_run_out_move_single_teeth) {
  Scenario scenario = steady_scenario();
  scenario.start_deg = 1;  // off the teeth
  const auto clean = times_of(simulate(trial_engine(), scenario), "crank", false);
  scenario.crank.pitch_errors_deg = {0.06};  // tooth 1 late by 0.06 degrees = 10 us
  const auto bent = times_of(simulate(trial_engine(), scenario), "crank", false);
  int moved = 0;
  for (std::size_t i = 0; i < clean.size(); ++i) {
    const bool tooth_1 = ((clean[i] + 166667) / 1000000 - 41) % 60 == 0;
    moved += bent[i] != clean[i] ? 1 : 0;
    ASSERT_NEAR(static_cast<double>(bent[i] - clean[i]), tooth_1 ? 10000 : 0, 1.0);
  }
  EXPECT_EQ(moved, 33);  // 2,000 ms of 60 ms a revolution, first at 41 ms
  scenario.crank.pitch_errors_deg.clear();
  scenario.crank.run_out_deg = 0.3;
  scenario.crank.run_out_phase_deg = 90;
  const auto out = times_of(simulate(trial_engine(), scenario), "crank", false);
  for (std::size_t i = 0; i < clean.size(); ++i) {
    const double wheel_rad = (static_cast<double>(clean[i] + 166667) / 1e6 - 41) * 6 * 3.14159265358979 / 180;
    ASSERT_NEAR(static_cast<double>(out[i] - clean[i]), 50000 * std::sin(wheel_rad), 3.0);
  }
}

TEST(Sensors, a_phaser_moves_its_cam_and_no_other) {
  Scenario scenario = steady_scenario();
  const Simulation parked = simulate(trial_engine(), scenario);
  CamSensor cam;
  cam.name = "intake";
  cam.phaser = {{0.5, 0}, {1.0, -30}};
  scenario.cams = {cam};
  const Simulation moved = simulate(trial_engine(), scenario);
  EXPECT_EQ(times_of(parked, "cam2", false), times_of(moved, "cam2", false));
  EXPECT_EQ(times_of(parked, "crank", false), times_of(moved, "crank", false));
  const double expected[4] = {62, 242, 332, 602};
  for (const std::int64_t t_ns : times_of(moved, "cam1", false)) {
    const double deg = position_at(moved.truth, t_ns).crank_deg;
    const double t_s = static_cast<double>(t_ns) * 1e-9;
    const double phase = t_s < 0.5 ? 0 : t_s > 1.0 ? -30 : -60 * (t_s - 0.5);
    double best = 999;
    for (const double angle : expected) {
      best = std::min(best, std::fabs(wrap_signed_deg(deg - angle - phase, 720)));
    }
    ASSERT_LT(best, 0.05) << t_s;
  }
}

TEST(Sensors, backlash_and_torsion_scatter_the_cam_only) {
  Scenario scenario = steady_scenario();
  scenario.phases = {steady(1000, 20)};
  const Simulation tight = simulate(trial_engine(), scenario);
  CamSensor cam;
  cam.name = "intake";
  cam.backlash_deg = 1.2;
  scenario.cams = {cam};
  const Simulation loose = simulate(trial_engine(), scenario);
  const auto a = times_of(tight, "cam1", false);
  const auto b = times_of(loose, "cam1", false);
  ASSERT_EQ(a.size(), b.size());
  double greatest = 0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    greatest = std::max(greatest, std::fabs(static_cast<double>(b[i] - a[i])) * 6e-6);
  }
  EXPECT_LE(greatest, 0.6001);
  EXPECT_GT(greatest, 0.55);
  EXPECT_EQ(times_of(tight, "crank", true), times_of(loose, "crank", true));
}

TEST(Sensors, dwell_is_shortened_when_the_cycle_is_short) {
  Engine engine = trial_engine();
  engine.reference->period_deg = 360;
  Scenario scenario;
  scenario.phases = {steady(12000, 1)};
  scenario.ecu.dwell_ms = 6;  // a revolution takes 5 ms
  const Simulation result = simulate(engine, scenario);
  expect_in_order_and_alternating(result);
  const auto spark = times_of(result, "ref", false);
  const auto dwell = times_of(result, "ref", true);
  EXPECT_NEAR(static_cast<double>(spark[5] - dwell[5]), 4e6, 2.0);
}

TEST(Sensors, the_ecu_is_silent_until_it_has_turned_far_enough) {
  Scenario scenario = steady_scenario();
  scenario.ecu.starts_after_deg = 1000;
  const auto spark = times_of(simulate(trial_engine(), scenario), "ref", false);
  EXPECT_NEAR(static_cast<double>(spark.front()), 1430.0 / 6000 * 1e9, 1.0);
}

TEST(Sensors, a_tdc_pulse_begins_at_tdc) {
  Engine engine = trial_engine();
  engine.reference->marks = ReferenceMark::tdc;
  const Simulation result = simulate(engine, steady_scenario());
  const auto falling = times_of(result, "ref", false);
  for (std::size_t i = 0; i < falling.size(); ++i) {
    ASSERT_EQ(falling[i], result.truth.tdc1_ns[i]);
  }
}

Scenario noisy_scenario(std::uint64_t seed) {
  Scenario scenario;
  scenario.seed = seed;
  scenario.phases = {driven(PhaseKind::crank, 0.5), driven(PhaseKind::run, 1.5, 900), published_cranking(2, 1)};
  scenario.crank.noise.jitter_ns = 1000;
  scenario.crank.pitch_error_sd_deg = 0.02;
  Fault burst;
  burst.kind = FaultKind::noise_burst;
  burst.at_s = 1.0;
  burst.count = 9;
  scenario.faults = {burst};
  return scenario;
}

TEST(Simulation, the_same_seed_gives_the_same_edges_and_another_seed_others) {
  const Engine engine = trial_engine();
  const Simulation a = simulate(engine, noisy_scenario(5));
  const Simulation b = simulate(engine, noisy_scenario(5));
  const Simulation c = simulate(engine, noisy_scenario(6));
  EXPECT_EQ(a.edges, b.edges);
  EXPECT_EQ(a.truth.tdc1_ns, b.truth.tdc1_ns);
  EXPECT_NE(a.edges, c.edges);
  expect_in_order_and_alternating(a);
}

TEST(Simulation, truth_follows_the_crank_between_its_samples) {
  Scenario fine;
  fine.phases = {published_cranking(2, 3)};
  Scenario coarse = fine;
  fine.sample_deg = 0.5;
  const Truth a = simulate(trial_engine(), fine).truth;
  const Truth b = simulate(trial_engine(), coarse).truth;
  for (std::int64_t t_ns = 0; t_ns < 3000000000; t_ns += 1234567) {
    ASSERT_NEAR(wrap_signed_deg(position_at(a, t_ns).crank_deg - position_at(b, t_ns).crank_deg, 720), 0, 0.02);
  }
}

TEST(Simulation, a_wheel_on_the_cam_passes_once_a_cycle) {
  Engine engine = trial_engine();
  engine.crank.shaft = WheelShaft::cam;
  engine.crank.period_deg = 720;
  engine.crank.teeth = pitched_teeth(12, {{11, 1}}, 720);
  engine.crank.positions = 12;
  const Simulation result = simulate(engine, steady_scenario());
  // Eleven teeth a cycle, 2 s at 120 ms a cycle.
  EXPECT_NEAR(static_cast<double>(times_of(result, "crank", false).size()), 11 * 2000.0 / 120, 2);
}

TEST(Simulation, a_two_stroke_cycle_has_a_tdc_each_revolution) {
  Engine engine = trial_engine();
  engine.cycle_deg = 360;
  engine.cylinders = 2;
  engine.firing_order = {1, 2};
  engine.firing_angles_deg = even_firing_angles(engine.firing_order, 360);
  engine.cams.clear();
  engine.reference->period_deg = 360;
  Scenario scenario;
  scenario.phases = {driven(PhaseKind::run, 3, 3000)};
  const Truth truth = simulate(engine, scenario).truth;
  EXPECT_NEAR(static_cast<double>(truth.tdc1_ns.size()), 150, 5);
}

}  // namespace
}  // namespace cw::sim
