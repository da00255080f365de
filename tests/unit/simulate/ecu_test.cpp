// The modelled ECU: its strict counter, what it fires, and the frames that it sends.
#include <gtest/gtest.h>

#include "simulate/can_messages.hpp"
#include "simulate/ecu_counter.hpp"
#include "trial_engine.hpp"

namespace cw::sim {
namespace {

Scenario with_ecu(double duration_s = 4) {
  Scenario scenario = steady_scenario();
  scenario.phases = {steady(1500, duration_s)};
  scenario.ecu.counter.emplace();
  scenario.ecu.can.emplace();
  return scenario;
}

Fault fault_at(FaultKind kind, double at_s, SeenBy seen_by = SeenBy::both) {
  Fault fault;
  fault.kind = kind;
  fault.at_s = at_s;
  fault.tooth = 20;
  fault.seen_by = seen_by;
  return fault;
}

// Losses with their reasons, by time.
std::vector<EcuMoment> losses_of(const Simulation& simulation) {
  std::vector<EcuMoment> losses;
  for (const EcuMoment& moment : simulation.truth.ecu) {
    if (moment.state == EcuState::lost) {
      losses.push_back(moment);
    }
  }
  return losses;
}

EcuState state_at_s(const Simulation& simulation, double t_s) {
  EcuState state = EcuState::no_signal;
  for (const EcuMoment& moment : simulation.truth.ecu) {
    state = static_cast<double>(moment.t_ns) <= t_s * 1e9 ? moment.state : state;
  }
  return state;
}

std::vector<SimFrame> frames_of(const Simulation& simulation, std::uint32_t id) {
  std::vector<SimFrame> frames;
  for (const SimFrame& frame : simulation.frames) {
    if (frame.id == id) {
      frames.push_back(frame);
    }
  }
  return frames;
}

double slate_rpm(const SimFrame& frame) {
  return 0.25 * (frame.data[0] + 256 * frame.data[1]);
}

TEST(EcuCounter, knows_the_cycle_after_its_good_turns_and_agreeing_cam_edges_and_keeps_it) {
  const Simulation run = simulate(trial_engine(), with_ecu());
  ASSERT_GE(run.truth.ecu.size(), 4U);
  EXPECT_EQ(run.truth.ecu[1].state, EcuState::searching);
  EXPECT_EQ(run.truth.ecu[2].state, EcuState::revolution);
  EXPECT_EQ(run.truth.ecu[3].state, EcuState::cycle);
  EXPECT_EQ(run.truth.ecu.size(), 4U);
  // A turn takes 40 ms: up to one until the first gap, then two good ones.
  EXPECT_NEAR(static_cast<double>(run.truth.ecu[2].t_ns) * 1e-9, 0.1, 0.021);
  EXPECT_LT(run.truth.ecu[3].t_ns - run.truth.ecu[2].t_ns, 80000000);
}

TEST(EcuCounter, gives_up_at_one_tooth_missed_or_too_many_and_finds_itself_again) {
  for (const FaultKind kind : {FaultKind::missed_edge, FaultKind::extra_edge}) {
    Scenario scenario = with_ecu();
    scenario.faults = {fault_at(kind, 1.5)};
    const Simulation run = simulate(trial_engine(), scenario);
    const std::vector<EcuMoment> losses = losses_of(run);
    ASSERT_EQ(losses.size(), 1U) << to_string(kind);
    EXPECT_EQ(losses[0].losses, 1);
    // At the next gap at the latest.
    EXPECT_NEAR(static_cast<double>(losses[0].t_ns) * 1e-9, 1.54, 0.041);
    EXPECT_EQ(state_at_s(run, 2), EcuState::cycle);
  }
}

TEST(EcuCounter, of_a_lenient_ecu_puts_one_tooth_right_without_a_word) {
  for (const FaultKind kind : {FaultKind::missed_edge, FaultKind::extra_edge}) {
    Scenario scenario = with_ecu();
    scenario.ecu.counter->tolerate_teeth = 1;
    scenario.faults = {fault_at(kind, 1.5)};
    EXPECT_TRUE(losses_of(simulate(trial_engine(), scenario)).empty()) << to_string(kind);
  }
}

TEST(EcuCounter, hears_what_only_it_hears_and_the_tap_hears_what_only_it_hears) {
  const Simulation sound = simulate(trial_engine(), with_ecu());
  Scenario scenario = with_ecu();
  scenario.faults = {fault_at(FaultKind::missed_edge, 1.5, SeenBy::ecu)};
  const Simulation of_ecu = simulate(trial_engine(), scenario);
  EXPECT_EQ(losses_of(of_ecu).size(), 1U);
  EXPECT_EQ(edges_of(of_ecu, "crank"), edges_of(sound, "crank"));
  ASSERT_EQ(of_ecu.truth.faults.size(), 1U);
  EXPECT_EQ(of_ecu.truth.faults[0].seen_by, SeenBy::ecu);

  scenario.faults = {fault_at(FaultKind::missed_edge, 1.5, SeenBy::tap)};
  const Simulation of_tap = simulate(trial_engine(), scenario);
  EXPECT_TRUE(losses_of(of_tap).empty());
  EXPECT_EQ(of_tap.frames, sound.frames);
  EXPECT_EQ(only_in(edges_of(sound, "crank"), edges_of(of_tap, "crank")).size(), 2U);
}

TEST(EcuCounter, tells_teeth_that_end_at_speed_from_an_engine_that_stops) {
  Scenario scenario = with_ecu();
  Fault dead = fault_at(FaultKind::crank_signal_stopped, 1.5);
  dead.for_s = 0.3;
  scenario.faults = {dead};
  const std::vector<EcuMoment> losses = losses_of(simulate(trial_engine(), scenario));
  ASSERT_EQ(losses.size(), 1U);
  EXPECT_EQ(losses[0].reason, "teeth ended at speed");
  EXPECT_NEAR(static_cast<double>(losses[0].t_ns) * 1e-9, 1.5, 0.03);

  scenario = with_ecu();
  scenario.phases = {steady(1500, 1), steady(200, 0.5), driven(PhaseKind::rest, 1)};
  scenario.phases[0].rpm_end = 200;
  Phase halt = steady(200, 0.2);
  halt.rpm_end = 0;
  scenario.phases.insert(scenario.phases.begin() + 2, halt);
  const Simulation stopped = simulate(trial_engine(), scenario);
  EXPECT_TRUE(losses_of(stopped).empty());
  EXPECT_EQ(stopped.truth.ecu.back().state, EcuState::no_signal);
}

TEST(EcuCounter, counts_losses_in_eight_bits_and_from_zero_after_a_supply_dip) {
  Scenario scenario = with_ecu(60);
  Fault odd = fault_at(FaultKind::missed_edge, 0.8);
  odd.every_cycles = 2;  // 160 ms: time enough to find itself again
  odd.for_s = 48;
  Fault dip = fault_at(FaultKind::ecu_restarted, 55);
  dip.for_s = 0.4;
  scenario.faults = {odd, dip};
  scenario.ecu.counter->good_turns = 1;
  scenario.ecu.counter->cam_edges = 1;
  const Simulation run = simulate(trial_engine(), scenario);
  const std::vector<EcuMoment> losses = losses_of(run);
  ASSERT_GT(losses.size(), 260U);
  EXPECT_EQ(losses[254].losses, 255);
  EXPECT_EQ(losses[255].losses, 0);
  EXPECT_EQ(losses[256].losses, 1);
  EXPECT_EQ(state_at_s(run, 55.2), EcuState::off);
  EXPECT_EQ(run.truth.ecu.back().state, EcuState::cycle);
  EXPECT_EQ(run.truth.ecu.back().losses, 0);
}

TEST(EcuCounter, finds_the_gap_of_a_wheel_with_several_by_the_counts_between) {
  Engine engine = trial_engine();
  engine.crank.teeth = pitched_teeth(36, {{13, 2}, {16, 2}, {34, 2}}, 360);
  engine.crank.positions = 36;
  Scenario scenario = with_ecu();
  const Simulation run = simulate(engine, scenario);
  EXPECT_EQ(run.truth.ecu.back().state, EcuState::cycle);
  EXPECT_TRUE(losses_of(run).empty());
  scenario.faults = {fault_at(FaultKind::missed_edge, 1.5)};
  EXPECT_EQ(losses_of(simulate(engine, scenario)).size(), 1U);
}

TEST(EcuCounter, is_refused_on_a_wheel_without_a_gap) {
  Engine engine = trial_engine();
  engine.crank.teeth = pitched_teeth(12, {}, 360);
  engine.crank.positions = 12;
  EXPECT_EQ(find_problem(engine, with_ecu()),
            "ecu: expected a wheel with a gap, the only kind whose counter is modelled");
}

TEST(EcuOutput, comes_only_while_the_ecu_knows_the_position) {
  Scenario scenario = with_ecu();
  scenario.faults = {fault_at(FaultKind::missed_edge, 1.5)};
  const Simulation run = simulate(trial_engine(), scenario);
  const std::vector<std::int64_t> sparks = times_of(run, "ref", false);
  const std::vector<std::int64_t> all = times_of(simulate(trial_engine(), with_ecu()), "ref", false);
  EXPECT_LT(sparks.size(), all.size());
  for (const std::int64_t t_ns : sparks) {
    EXPECT_EQ(state_at_s(run, static_cast<double>(t_ns) * 1e-9), EcuState::cycle);
    EXPECT_NE(std::find(all.begin(), all.end(), t_ns), all.end());
  }
}

TEST(EcuOutput, fires_with_the_advance_of_its_table_and_says_the_same) {
  Scenario scenario = with_ecu();
  scenario.phases = {steady(1000, 2), steady(3000, 2)};
  scenario.ecu.advance_table = {{1000, 10}, {3000, 30}};
  const Simulation run = simulate(trial_engine(), scenario);
  const auto advance_near = [&](double at_s) {
    for (const std::int64_t t_ns : times_of(run, "ref", false)) {
      if (static_cast<double>(t_ns) > at_s * 1e9) {
        return 720 - position_at(run.truth, t_ns).crank_deg;
      }
    }
    return 0.0;
  };
  EXPECT_NEAR(advance_near(1), 10, 0.1);
  EXPECT_NEAR(advance_near(3), 30, 0.1);
  const auto said_near = [&](std::size_t index) {
    const SimFrame frame = frames_of(run, 0x2B0)[index];
    return 0.1 * (frame.data[2] + 256 * (frame.data[3] & 0xf));
  };
  EXPECT_NEAR(said_near(100), 10, 0.11);
  EXPECT_NEAR(said_near(300), 30, 0.11);
}

TEST(EcuOutput, moves_with_a_trigger_offset_entered_at_run_time_later_when_it_is_greater) {
  Scenario scenario = with_ecu();
  Fault entered = fault_at(FaultKind::ecu_offset_changed, 2);
  entered.deg = 6;
  scenario.faults = {entered};
  const Simulation run = simulate(trial_engine(), scenario);
  const std::vector<std::int64_t> sparks = times_of(run, "ref", false);
  EXPECT_NEAR(position_at(run.truth, sparks[10]).crank_deg, 710, 0.01);
  EXPECT_NEAR(position_at(run.truth, sparks.back()).crank_deg, 716, 0.01);
  const auto offset = [](const SimFrame& frame) { return 0.05 * (frame.data[6] + 256 * frame.data[7]); };
  const std::vector<SimFrame> frames = frames_of(run, 0x2B0);
  EXPECT_NEAR(offset(frames.front()), 114, 1e-9);
  EXPECT_NEAR(offset(frames.back()), 120, 1e-9);
}

TEST(EcuBroadcast, says_a_speed_off_by_the_ratio_of_the_tooth_counts) {
  Scenario scenario = with_ecu();
  scenario.ecu.counter->speed_teeth = 36;
  const std::vector<SimFrame> frames = frames_of(simulate(trial_engine(), scenario), 0x2B0);
  EXPECT_NEAR(slate_rpm(frames.back()), 1500.0 * 60 / 36, 2);
}

TEST(EcuBroadcast, is_as_often_as_it_says_late_by_its_latency_and_never_twice_at_once) {
  Scenario scenario = with_ecu(10);
  scenario.ecu.can->layouts = {CanLayout::slate, CanLayout::marl, CanLayout::eec1};
  const Simulation run = simulate(trial_engine(), scenario);
  EXPECT_EQ(frames_of(run, 0x2B0).size(), 1000U);
  EXPECT_EQ(frames_of(run, 0x2B1).size(), 500U);
  EXPECT_EQ(frames_of(run, 0x2B2).size(), 100U);
  EXPECT_EQ(frames_of(run, 338).size(), 1000U);
  EXPECT_EQ(frames_of(run, 2170193665U & 0x1fffffffU).size(), 200U);
  EXPECT_EQ(frames_of(run, 0x0CF00400).size(), 500U);
  std::int64_t least_us = 1000000;
  for (std::size_t i = 1; i < run.frames.size(); ++i) {
    least_us = std::min(least_us, run.frames[i].stamp_us - run.frames[i - 1].stamp_us);
  }
  // 135 bits at 500 kbit/s.
  EXPECT_GE(least_us, 269);
  const std::vector<SimFrame> engine = frames_of(run, 0x2B0);
  for (std::size_t i = 0; i < engine.size(); ++i) {
    const std::int64_t late_us = engine[i].stamp_us - static_cast<std::int64_t>(i + 1) * 10000;
    EXPECT_GE(late_us, 1000 + 270);
    EXPECT_LE(late_us, 2000 + 6 * 320 + 270);
  }
}

TEST(EcuBroadcast, falls_silent_comes_late_and_ends_while_the_ecu_is_off_and_nothing_else_changes) {
  const Simulation sound = simulate(trial_engine(), with_ecu());
  Scenario scenario = with_ecu();
  Fault silent = fault_at(FaultKind::ecu_silent, 1);
  silent.for_s = 0.5;
  Fault late = fault_at(FaultKind::ecu_late, 2);
  late.for_s = 0.5;
  late.us = 50000;
  scenario.faults = {silent, late};
  const Simulation run = simulate(trial_engine(), scenario);
  EXPECT_EQ(run.edges, sound.edges);
  const std::vector<SimFrame> frames = frames_of(run, 0x2B0);
  const std::vector<SimFrame> before = frames_of(sound, 0x2B0);
  EXPECT_EQ(frames.size(), before.size() - 50);
  EXPECT_TRUE(std::equal(frames.begin(), frames.begin() + 98, before.begin()));
  EXPECT_EQ(frames[160].stamp_us, before[210].stamp_us + 50000);
  EXPECT_EQ(frames.back(), before.back());
}

TEST(EcuBroadcast, is_stamped_by_another_clock_when_it_is_told_so) {
  const Simulation same = simulate(trial_engine(), with_ecu());
  Scenario scenario = with_ecu();
  scenario.ecu.can->clock_offset_s = 100;
  scenario.ecu.can->clock_skew_ppm = 50;
  scenario.ecu.can->transport_ms = 2;
  const Simulation other = simulate(trial_engine(), scenario);
  ASSERT_EQ(other.frames.size(), same.frames.size());
  const double t_s = static_cast<double>(same.frames.back().stamp_us) * 1e-6;
  EXPECT_NEAR(static_cast<double>(other.frames.back().stamp_us), (100 + t_s * 1.00005 + 0.002) * 1e6, 1.5);
}

TEST(EcuSimulation, is_the_same_for_the_same_seed_and_another_for_another) {
  Scenario scenario = with_ecu();
  scenario.ecu.counter->jitter_ns = 500;
  const Simulation once = simulate(trial_engine(), scenario);
  const Simulation again = simulate(trial_engine(), scenario);
  EXPECT_EQ(once.frames, again.frames);
  EXPECT_EQ(once.edges, again.edges);
  scenario.seed = 2;
  EXPECT_NE(simulate(trial_engine(), scenario).frames, once.frames);
}

TEST(EcuSimulation, changes_no_edge_of_the_sensors) {
  Scenario scenario = steady_scenario();
  scenario.crank.noise.jitter_ns = 700;
  const Simulation without = simulate(trial_engine(), scenario);
  scenario.ecu.counter.emplace().jitter_ns = 300;
  const Simulation with = simulate(trial_engine(), scenario);
  EXPECT_EQ(edges_of(with, "crank"), edges_of(without, "crank"));
  EXPECT_EQ(edges_of(with, "cam1"), edges_of(without, "cam1"));
}

// The worked frame of CHECKS: 649.0 rpm is 1448 hex, low byte first in bytes 4 and 5 (SAE J1939-71).
TEST(CanMessages, pack_the_published_speed_of_eec1) {
  EcuValues values;
  values.rpm = 649.0;
  const PackedMessage frame = pack(messages_of(CanLayout::eec1)[0], 0, values);
  EXPECT_EQ(frame.id, 0x0CF00400U);
  EXPECT_TRUE(frame.extended);
  EXPECT_EQ(frame.data[3], 0x48);
  EXPECT_EQ(frame.data[4], 0x14);
}

TEST(CanMessages, put_bits_as_a_dbc_numbers_them) {
  std::array<std::uint8_t, 8> data = {};
  put_little(data, 12, 12, 0xABC);
  EXPECT_EQ(data[1], 0xC0);
  EXPECT_EQ(data[2], 0xAB);
  data = {};
  put_big(data, 11, 12, 0xABC);  // from bit 3 of byte 1 down, then byte 2
  EXPECT_EQ(data[1], 0x0A);
  EXPECT_EQ(data[2], 0xBC);
}

TEST(CanMessages, have_the_published_greatest_number_of_bits) {
  EXPECT_EQ(frame_bits(false), 135);
  EXPECT_EQ(frame_bits(true), 160);
}

}  // namespace
}  // namespace cw::sim
