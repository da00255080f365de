// Tests of the judge itself: a judge that cannot fail is a defect. An observer that repeats the truth must pass; each way
// of being wrong must be complained of. No decoder takes part.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <map>
#include <set>
#include <sstream>
#include <variant>

#include "campaign/expectations.hpp"
#include "campaign/judge.hpp"
#include "campaign/tables.hpp"
#include "campaign/tally.hpp"
#include "campaign/truth_view.hpp"
#include "config/engine_file.hpp"
#include "geometry/angle.hpp"

namespace cw::campaign {
namespace {

struct Scene {
  Case drawn;
  sim::Simulation simulation;
  Observed observed;
};

FindingKind right_kind(const std::string& fault) {
  return expectation_of(*sim::fault_kind_of(fault)).finding;
}

const sim::Fault& planned(const Case& drawn, const std::string& kind) {
  return *std::find_if(drawn.scenario.faults.begin(), drawn.scenario.faults.end(),
                       [&](const sim::Fault& fault) { return sim::to_string(fault.kind) == kind; });
}

Attribution right_attribution(const Case& drawn, const sim::Fault& fault) {
  switch (fault.kind) {
    case sim::FaultKind::cam_step:
      return fault.cam.empty() || drawn.engine.cams.size() == 1 ? Attribution::undecided : Attribution::cam_drive;
    case sim::FaultKind::crank_wheel_step:
      return Attribution::wheel;
    case sim::FaultKind::reference_error:
    case sim::FaultKind::reference_delay:
      return Attribution::ecu;
    case sim::FaultKind::reference_missing:
      return Attribution::undecided;
    default:
      return Attribution::sensor_or_wiring;
  }
}

Finding told(const Case& drawn, const sim::Truth& truth, const sim::TruthFault& entry, std::uint64_t id) {
  Finding finding;
  finding.id = id;
  finding.kind = right_kind(entry.kind);
  finding.severity = Severity::fault;
  finding.attribution = right_attribution(drawn, planned(drawn, entry.kind));
  finding.start_ns = entry.t_ns;
  finding.end_ns = entry.t_ns;
  finding.angle_deg = entry.crank_deg;
  finding.tooth = entry.tooth;
  finding.channel = entry.cam.empty() ? entry.channel : entry.cam;
  const sim::Fault& fault = planned(drawn, entry.kind);
  if (fault.kind == sim::FaultKind::cam_step) {
    finding.values.emplace_back("gear_teeth_moved", entry.value);
  } else if (fault.kind == sim::FaultKind::crank_wheel_step) {
    finding.values.emplace_back("step_deg", entry.value);
  } else if (finding.kind == FindingKind::tdc_deviation) {
    const sim::Ecu& ecu = drawn.scenario.ecu;
    const double rpm = sim::position_at(truth, entry.t_ns).rpm;
    const double delay_deg = deg_per_s_per_rpm * rpm * 1e-6 * (ecu.delay_us + fault.us);
    finding.values.emplace_back("deviation_deg", ecu.error_deg + fault.deg + delay_deg);
  }
  return finding;
}

std::vector<Span> times_without_position(const Case& drawn, const sim::Truth& truth) {
  std::vector<Span> spans = standing_spans(truth);
  const std::vector<Span> backward = backward_spans(truth);
  spans.insert(spans.end(), backward.begin(), backward.end());
  for (const sim::Fault& fault : drawn.scenario.faults) {
    const auto entries = entries_of(truth, fault.kind);
    if (fault.kind == sim::FaultKind::crank_signal_stopped && !entries.empty()) {
      spans.push_back(span_of(fault, entries, truth));
    }
  }
  return spans;
}

Observed truthful(const Case& drawn, const sim::Simulation& simulation) {
  Observed observed;
  const LockState lock = drawn.cam_fixes_cycle ? LockState::cycle_locked : LockState::revolution_locked;
  std::vector<Span> lost = times_without_position(drawn, simulation.truth);
  std::sort(lost.begin(), lost.end(), [](const Span& a, const Span& b) { return a.from_ns < b.from_ns; });
  const auto change = [&](LockState to, std::int64_t t_ns) {
    observed.changes.push_back({LockState::searching, to, t_ns, t_ns});
  };
  change(lock, 0);
  for (std::size_t i = 0; i < lost.size();) {
    std::int64_t until_ns = lost[i].to_ns;
    change(LockState::searching, lost[i].from_ns);
    for (++i; i < lost.size() && lost[i].from_ns <= until_ns; ++i) {
      until_ns = std::max(until_ns, lost[i].to_ns);
    }
    change(lock, until_ns);
  }
  for (const std::int64_t t_ns : simulation.truth.wheel_tdc1_ns) {
    Cycle cycle;
    cycle.tdc_ns = t_ns;
    cycle.state = lock;
    cycle.uncertainty_deg = 0.01;
    observed.cycles.push_back(cycle);
  }
  for (const sim::TruthFault& entry : simulation.truth.faults) {
    observed.findings.push_back(told(drawn, simulation.truth, entry, observed.findings.size() + 1));
  }
  return observed;
}

const Case& case_of(std::uint64_t seed) {
  static std::map<std::uint64_t, Case> drawn;
  const auto found = drawn.find(seed);
  return found != drawn.end() ? found->second : drawn.emplace(seed, draw_case(seed)).first->second;
}

Scene scene_of(std::uint64_t seed) {
  Scene scene;
  scene.drawn = case_of(seed);
  scene.simulation = sim::simulate(scene.drawn.engine, scene.drawn.scenario);
  scene.observed = truthful(scene.drawn, scene.simulation);
  return scene;
}

Verdict verdict_of(const Scene& scene) {
  return judge(scene.drawn, scene.simulation, scene.observed);
}

// The wheel that the seed's engine will have: drawn by itself, since the run takes long to draw.
std::optional<WheelClass> wheel_of(std::uint64_t seed) {
  Dice dice(seed, 1);
  const auto parsed = parse_engine(draw_engine(dice), "drawn");
  const auto* engine = std::get_if<Engine>(&parsed);
  return engine == nullptr ? std::nullopt : std::optional<WheelClass>(wheel_class_of(*engine));
}

// First tuning seed whose case suits; of engines with that wheel only, if one is named.
Scene scene_where(const std::function<bool(const Case&)>& suits, std::optional<WheelClass> wheel = std::nullopt) {
  constexpr std::uint64_t seeds_max = 3000;
  for (std::uint64_t seed = 1; seed < seeds_max; ++seed) {
    if (wheel && wheel_of(seed) != wheel) {
      continue;
    }
    const Case& drawn = case_of(seed);
    if (drawn.problem.empty() && suits(drawn)) {
      return scene_of(seed);
    }
  }
  ADD_FAILURE() << "no seed suits";
  return {};
}

Scene scene_with(sim::FaultKind kind) {
  return scene_where([kind](const Case& drawn) {
    return drawn.scenario.faults.size() == 1 && drawn.scenario.faults[0].kind == kind && drawn.cam_fixes_cycle &&
           drawn.scenario.faults[0].every_cycles == 0;
  });
}

// The one fault of the scene; fails the test when the judge did not count it.
FaultVerdict only_fault(const Verdict& verdict) {
  EXPECT_EQ(verdict.faults.size(), 1U);
  return verdict.faults.empty() ? FaultVerdict{} : verdict.faults.front();
}

constexpr std::array all_kinds = {
    sim::FaultKind::extra_edge,           sim::FaultKind::noise_burst,      sim::FaultKind::missed_edge,
    sim::FaultKind::crank_signal_stopped, sim::FaultKind::cam_edge_missing, sim::FaultKind::cam_signal_dead,
    sim::FaultKind::cam_extra_edge,       sim::FaultKind::cam_step,         sim::FaultKind::crank_wheel_step,
    sim::FaultKind::reference_error,      sim::FaultKind::reference_delay,  sim::FaultKind::reference_missing};

TEST(Judge, passes_an_observer_that_repeats_the_truth) {
  std::set<std::string> labels;
  for (std::uint64_t seed = 1; seed <= 60; ++seed) {
    const Scene scene = scene_of(seed);
    ASSERT_EQ(scene.drawn.problem, "") << "seed " << seed;
    const Verdict verdict = verdict_of(scene);
    EXPECT_EQ(failure_of(verdict), "") << "seed " << seed;
    for (const FaultVerdict& fault : verdict.faults) {
      labels.insert(fault.label);
    }
  }
  EXPECT_GE(labels.size(), 10U);
}

TEST(Judge, names_and_locates_every_kind_told_rightly) {
  for (const sim::FaultKind kind : all_kinds) {
    const FaultVerdict fault = only_fault(verdict_of(scene_with(kind)));
    EXPECT_TRUE(fault.named && fault.located) << sim::to_string(kind) << ": " << fault.words;
    EXPECT_TRUE(fault.attributed) << sim::to_string(kind);
  }
}

TEST(Judge, complains_when_a_finding_of_any_kind_is_dropped) {
  for (const sim::FaultKind kind : all_kinds) {
    Scene scene = scene_with(kind);
    scene.observed.findings.clear();
    const Verdict verdict = verdict_of(scene);
    const FaultVerdict fault = only_fault(verdict);
    EXPECT_FALSE(fault.named) << sim::to_string(kind);
    EXPECT_TRUE(fault.found.starts_with("nothing")) << sim::to_string(kind);
    EXPECT_TRUE(!fault.cannot_tell.empty() || !failure_of(verdict).empty()) << sim::to_string(kind);
  }
}

TEST(Judge, complains_when_any_kind_is_told_as_another) {
  for (const sim::FaultKind kind : all_kinds) {
    Scene scene = scene_with(kind);
    for (Finding& finding : scene.observed.findings) {
      finding.kind = FindingKind::margin_low;
    }
    const Verdict verdict = verdict_of(scene);
    EXPECT_FALSE(only_fault(verdict).named) << sim::to_string(kind);
    EXPECT_EQ(only_fault(verdict).found, "margin-low") << sim::to_string(kind);
    EXPECT_FALSE(verdict.false_alarms.empty()) << sim::to_string(kind);
  }
}

TEST(Judge, complains_when_any_kind_is_told_two_cycles_too_early) {
  for (const sim::FaultKind kind : all_kinds) {
    Scene scene = scene_with(kind);
    for (Finding& finding : scene.observed.findings) {
      const double deg = turned_deg(scene.simulation.truth, finding.start_ns) - 2 * scene.simulation.truth.cycle_deg;
      finding.start_ns = time_of_deg(scene.simulation.truth, deg);
    }
    EXPECT_FALSE(only_fault(verdict_of(scene)).located) << sim::to_string(kind);
  }
}

TEST(Judge, sees_when_the_wrong_one_is_blamed) {
  for (const sim::FaultKind kind : all_kinds) {
    Scene scene = scene_with(kind);
    for (Finding& finding : scene.observed.findings) {
      finding.attribution = Attribution::capture_link;
    }
    EXPECT_FALSE(only_fault(verdict_of(scene)).attributed) << sim::to_string(kind);
  }
}

TEST(Judge, complains_of_a_wrong_tooth) {
  for (const sim::FaultKind kind : {sim::FaultKind::missed_edge, sim::FaultKind::extra_edge}) {
    Scene scene = scene_with(kind);
    for (Finding& finding : scene.observed.findings) {
      finding.tooth = *finding.tooth + 2;
    }
    const FaultVerdict fault = only_fault(verdict_of(scene));
    EXPECT_TRUE(fault.named);
    EXPECT_FALSE(fault.located);
  }
}

TEST(Judge, complains_of_an_angle_off_by_more_than_a_pitch) {
  for (const sim::FaultKind kind : {sim::FaultKind::missed_edge, sim::FaultKind::extra_edge,
                                    sim::FaultKind::cam_edge_missing, sim::FaultKind::cam_extra_edge}) {
    Scene scene = scene_with(kind);
    for (Finding& finding : scene.observed.findings) {
      finding.angle_deg = wrap_deg(*finding.angle_deg + 1.5 * pitch_deg(scene.drawn.engine), 720);
    }
    EXPECT_FALSE(only_fault(verdict_of(scene)).located) << sim::to_string(kind);
  }
}

TEST(Judge, complains_of_the_other_revolution) {
  Scene scene = scene_with(sim::FaultKind::missed_edge);
  for (Finding& finding : scene.observed.findings) {
    finding.angle_deg = wrap_deg(*finding.angle_deg + 360, 720);
  }
  EXPECT_FALSE(only_fault(verdict_of(scene)).located);
}

TEST(Judge, complains_of_the_wrong_cam) {
  for (const sim::FaultKind kind : {sim::FaultKind::cam_edge_missing, sim::FaultKind::cam_extra_edge,
                                    sim::FaultKind::cam_signal_dead, sim::FaultKind::cam_step}) {
    Scene scene = scene_with(kind);
    for (Finding& finding : scene.observed.findings) {
      finding.channel = "another";
    }
    EXPECT_FALSE(only_fault(verdict_of(scene)).named) << sim::to_string(kind);
  }
}

TEST(Judge, complains_of_a_wrong_number_of_belt_teeth) {
  Scene scene = scene_with(sim::FaultKind::cam_step);
  for (Finding& finding : scene.observed.findings) {
    finding.values[0].second += 1;
  }
  const FaultVerdict fault = only_fault(verdict_of(scene));
  EXPECT_TRUE(!fault.located || !fault.cannot_tell.empty());
  EXPECT_FALSE(fault.words.empty() && fault.cannot_tell.empty());
}

TEST(Judge, complains_of_a_reference_error_told_half_a_degree_wrong) {
  for (const sim::FaultKind kind : {sim::FaultKind::reference_error, sim::FaultKind::reference_delay}) {
    Scene scene = scene_with(kind);
    for (Finding& finding : scene.observed.findings) {
      finding.values[0].second += 0.5;
    }
    EXPECT_FALSE(only_fault(verdict_of(scene)).located) << sim::to_string(kind);
  }
}

TEST(Judge, complains_when_one_edge_is_told_twice) {
  for (const sim::FaultKind kind : {sim::FaultKind::missed_edge, sim::FaultKind::extra_edge}) {
    Scene scene = scene_with(kind);
    scene.observed.findings.push_back(scene.observed.findings.front());
    EXPECT_EQ(verdict_of(scene).false_alarms.size(), 1U) << sim::to_string(kind);
  }
}

TEST(Judge, complains_of_a_row_of_missed_teeth_told_in_part) {
  Scene scene = scene_where([](const Case& drawn) {
    return drawn.scenario.faults.size() == 1 && drawn.scenario.faults[0].every_cycles > 0 && drawn.cam_fixes_cycle;
  });
  EXPECT_TRUE(only_fault(verdict_of(scene)).located);
  ASSERT_GT(scene.observed.findings.size(), 2U);
  scene.observed.findings.resize(scene.observed.findings.size() / 2);
  EXPECT_FALSE(only_fault(verdict_of(scene)).named);
}

Scene clean_scene() {
  return scene_where([](const Case& drawn) { return drawn.scenario.faults.empty() && drawn.cam_fixes_cycle; });
}

TEST(Judge, complains_of_any_warning_on_a_clean_run_but_not_of_notes) {
  Scene scene = clean_scene();
  Finding note;
  note.kind = FindingKind::engine_stopped;
  note.severity = Severity::info;
  scene.observed.findings.push_back(note);
  EXPECT_EQ(failure_of(verdict_of(scene)), "");
  for (int kind = 0; kind <= static_cast<int>(FindingKind::clock_trouble); ++kind) {
    Scene alarmed = scene;
    note.kind = static_cast<FindingKind>(kind);
    note.severity = Severity::warning;
    note.start_ns = 5'000'000'000;
    alarmed.observed.findings.push_back(note);
    const Verdict verdict = verdict_of(alarmed);
    EXPECT_EQ(verdict.false_alarms.size(), 1U) << kind;
    EXPECT_FALSE(missed_targets(std::span(&verdict, 1)).empty()) << kind;
  }
}

// Each TDC of the scene moved by so many degrees at the speed of its moment.
void shift_tdcs(Scene& scene, double by_deg) {
  for (Cycle& cycle : scene.observed.cycles) {
    const double rpm = std::max(sim::position_at(scene.simulation.truth, cycle.tdc_ns).rpm, 30.0);
    cycle.tdc_ns += std::llround(by_deg / (deg_per_s_per_rpm * rpm) * 1e9);
  }
}

TEST(Judge, calls_a_tdc_more_than_half_a_pitch_off_a_false_lock) {
  Scene scene = clean_scene();
  shift_tdcs(scene, 0.7 * pitch_deg(scene.drawn.engine));
  const Verdict verdict = verdict_of(scene);
  EXPECT_GT(verdict.false_locks.size(), scene.observed.cycles.size() / 2);
  EXPECT_FALSE(missed_targets(std::span(&verdict, 1)).empty());
}

TEST(Judge, calls_the_wrong_revolution_a_false_lock) {
  Scene scene = clean_scene();
  shift_tdcs(scene, 360);
  EXPECT_GT(verdict_of(scene).false_locks.size(), scene.observed.cycles.size() / 2);
}

TEST(Judge, allows_the_other_revolution_when_only_revolution_locked) {
  Scene scene = clean_scene();
  ASSERT_GT(scene.observed.cycles.size(), 2U);
  scene.observed.cycles.pop_back();  // a turn later the run is over or the crank stands
  for (Cycle& cycle : scene.observed.cycles) {
    cycle.tdc_ns = time_of_deg(scene.simulation.truth, turned_deg(scene.simulation.truth, cycle.tdc_ns) + 360);
    cycle.state = LockState::revolution_locked;
  }
  EXPECT_TRUE(verdict_of(scene).false_locks.empty());
}

TEST(Judge, calls_a_cycle_lock_without_a_cam_that_tells_the_turns_a_false_lock) {
  Scene scene = scene_where([](const Case& drawn) { return drawn.engine.cams.empty(); });
  EXPECT_TRUE(verdict_of(scene).false_locks.empty());
  for (Cycle& cycle : scene.observed.cycles) {
    cycle.state = LockState::cycle_locked;
  }
  EXPECT_FALSE(verdict_of(scene).false_locks.empty());
}

TEST(Judge, calls_any_lock_a_false_one_where_no_tooth_can_be_told_from_another) {
  Scene scene = scene_where([](const Case& drawn) { return drawn.place_known && drawn.scenario.faults.empty(); });
  EXPECT_TRUE(verdict_of(scene).false_locks.empty());
  scene.drawn.place_known = false;
  scene.drawn.cam_fixes_cycle = false;
  for (Cycle& cycle : scene.observed.cycles) {
    cycle.state = LockState::revolution_locked;
  }
  EXPECT_EQ(verdict_of(scene).false_locks.size(), scene.observed.cycles.size());
}

TEST(Judge, takes_the_tooth_after_for_an_extra_edge_beside_it_on_uneven_teeth_too) {
  Scene scene = scene_where(
      [](const Case& drawn) {
        return drawn.cam_fixes_cycle && drawn.scenario.faults.size() == 1 &&
               drawn.scenario.faults[0].kind == sim::FaultKind::extra_edge;
      },
      WheelClass::angle_list);
  const sim::TruthFault entry = scene.simulation.truth.faults.front();
  const auto& teeth = scene.drawn.engine.crank.teeth;
  const auto next = static_cast<std::size_t>(*entry.tooth) % teeth.size();  // listed teeth are numbered 1, 2, ...
  scene.observed.findings.front().tooth = teeth[next].number;
  // As drawn the pulse stands well between the two; right before the next tooth nobody can tell which of them is real.
  scene.drawn.scenario.faults[0].fraction = 0.5;
  EXPECT_FALSE(only_fault(verdict_of(scene)).located);
  scene.drawn.scenario.faults[0].fraction = 0.9999;
  EXPECT_TRUE(only_fault(verdict_of(scene)).located);
}

TEST(Judge, calls_a_lock_held_over_a_standing_crank_or_a_dead_signal_a_false_lock) {
  Scene standing = scene_where([](const Case& drawn) {
    const auto& phases = drawn.scenario.phases;
    return drawn.cam_fixes_cycle && std::any_of(phases.begin() + 1, phases.end(), [](const sim::Phase& phase) {
             return phase.kind == sim::PhaseKind::rest && phase.duration_s > 1.5;
           });
  });
  standing.observed.changes.resize(1);
  EXPECT_FALSE(verdict_of(standing).false_locks.empty());
  Scene dead = scene_where([](const Case& drawn) {
    return drawn.cam_fixes_cycle && drawn.scenario.faults.size() == 1 &&
           drawn.scenario.faults[0].kind == sim::FaultKind::crank_signal_stopped &&
           drawn.scenario.faults[0].for_s.value_or(0) > 1.5;
  });
  dead.observed.changes.resize(1);
  EXPECT_FALSE(verdict_of(dead).false_locks.empty());
}

TEST(Judge, misses_the_target_when_every_tdc_is_a_fifth_of_a_degree_late) {
  Scene scene = scene_where([](const Case& drawn) {
    return drawn.scenario.faults.empty() && drawn.cam_fixes_cycle && drawn.engine.crank.positions >= 24;
  });
  const Verdict right = verdict_of(scene);
  EXPECT_TRUE(missed_targets(std::span(&right, 1)).empty());
  shift_tdcs(scene, 0.3);
  const Verdict late = verdict_of(scene);
  EXPECT_TRUE(late.false_locks.empty());
  EXPECT_FALSE(missed_targets(std::span(&late, 1)).empty());
}

TEST(Judge, is_not_content_with_an_observer_that_says_nothing) {
  Scene scene = clean_scene();
  scene.observed = Observed{};
  const Verdict verdict = verdict_of(scene);
  EXPECT_TRUE(verdict.never_locked);
  EXPECT_FALSE(missed_targets(std::span(&verdict, 1)).empty());
}

TEST(Tally, bounds_shares_as_published) {
  // Rule of three: Hanley and Lippman-Hand, JAMA 249 (1983) 1743.
  EXPECT_DOUBLE_EQ(share_of(0, 100).high, 0.03);
  EXPECT_DOUBLE_EQ(share_of(500, 500).low, 1 - 3.0 / 500);
  // Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (score): 81 of 263 and 15 of 148 (from memory).
  EXPECT_NEAR(share_of(81, 263).low, 0.2553, 5e-5);
  EXPECT_NEAR(share_of(81, 263).high, 0.3662, 5e-5);
  EXPECT_NEAR(share_of(15, 148).low, 0.0624, 5e-5);
  EXPECT_NEAR(share_of(15, 148).high, 0.1605, 5e-5);
}

TEST(Tables, count_what_was_injected_against_what_was_said) {
  Verdict quiet;
  Verdict alarmed;
  alarmed.false_alarm_kinds = {"extra-edge", "extra-edge"};
  Verdict faulty;
  faulty.clean = false;
  faulty.faults = {{"missed-edge", "extra-edge", false, false, false, "", "wrong"},
                   {"missed-edge", "missed-edge", true, true, true, "", ""},
                   {"cam-step", "nothing", false, false, false, "nobody can tell", ""}};
  std::ostringstream out;
  print_confusion(std::vector<Verdict>{quiet, alarmed, faulty}, out);
  EXPECT_EQ(out.str(),
            "\nConfusion: injected (rows) against said (columns), faults that can be told:\n"
            "  a nothing   b extra-edge   c missed-edge   \n"
            "                                 a     b     c\n"
            "  missed-edge                    .     1     1\n"
            "  nothing                        1     2     .\n");
}

TEST(Tables, keep_each_wheel_form_by_itself) {
  Verdict ring;
  ring.wheel = WheelClass::ring_gear;
  ring.false_locks.push_back({});
  Verdict even;
  even.wheel = WheelClass::even;
  even.never_locked = true;
  std::ostringstream out;
  print_by_wheel(std::vector<Verdict>{ring, even, even}, out);
  EXPECT_NE(out.str().find("ring gear and index      1  1/1"), std::string::npos) << out.str();
  EXPECT_NE(out.str().find("even teeth               2  0/2"), std::string::npos) << out.str();
  EXPECT_EQ(out.str().find("one gap"), std::string::npos);
}

TEST(Tables, bound_quantiles_by_ranks_and_by_groups_of_runs) {
  std::vector<double> values;
  for (int i = 1; i <= 1000; ++i) {
    values.push_back(i);
  }
  // 950 -+ 1.96 sqrt(1000 * 0.95 * 0.05) = 950 -+ 13.51: ranks 937 and 965 (one more above, so as to cover).
  const QuantileBounds ranks = quantile_bounds(values, 0.95);
  EXPECT_EQ(ranks.value, 950);
  EXPECT_EQ(ranks.low, 937);
  EXPECT_EQ(ranks.high, 965);
  // Runs that are all alike leave no doubt; runs that differ as a whole do, however many readings each has.
  const std::vector<std::vector<double>> alike(60, values);
  EXPECT_EQ(grouped_quantile_bounds(alike, 0.95).low, 950);
  EXPECT_EQ(grouped_quantile_bounds(alike, 0.95).high, 950);
  std::vector<std::vector<double>> apart;
  apart.reserve(60);
  for (int run = 0; run < 60; ++run) {
    apart.emplace_back(100, run);
  }
  const QuantileBounds grouped = grouped_quantile_bounds(apart, 0.5);
  EXPECT_FALSE(grouped_quantile_bounds(std::vector<std::vector<double>>(39, values), 0.95).bounded);
  EXPECT_TRUE(grouped.bounded);
  EXPECT_LT(grouped.low, 29);
  EXPECT_GT(grouped.high, 30);
}

TEST(Wheel, is_named_by_its_description) {
  const auto named = [](const std::string& engine, const std::string& crank, const std::string& cam) {
    const auto parsed = parse_engine(
        "[engine]\n" + engine + "\n[crank]\nactive_edge = \"rising\"\ntrigger_offset_deg = 5\n" + crank + "\n" + cam,
        "wheel.toml");
    EXPECT_TRUE(std::holds_alternative<Engine>(parsed));
    return std::string(to_string(wheel_class_of(std::get<Engine>(parsed))));
  };
  const std::string single = "cylinders = 1";
  const std::string index =
      "[[cam]]\nname = \"i\"\nchannel = \"i\"\nperiod_deg = 360\nactive_edge = \"rising\"\nedges_deg = [3]";
  EXPECT_EQ(named(single, "teeth = 60\nmissing = 2", ""), "one gap");
  EXPECT_EQ(named(single, "teeth = 36\ngaps = [[13, 2], [16, 2], [34, 2]]", ""), "several gaps");
  EXPECT_EQ(named(single, "teeth = 24\nmissing = 0", ""), "even teeth");
  EXPECT_EQ(named(single, "teeth = 132\nmissing = 0", index), "ring gear and index");
  EXPECT_EQ(named(single, "teeth = 8\nmissing = 1", ""), "few teeth");
  EXPECT_EQ(named(single, "tooth_angles_deg = [0, 20, 50, 80, 110, 140, 170, 200, 230, 260, 290, 320, 340]", ""),
            "angle list");
  EXPECT_EQ(named(single, "shaft = \"cam\"\nteeth = 60\nmissing = 2", ""), "wheel on the cam");
  EXPECT_EQ(named("cylinders = 1\ncycle_deg = 360", "teeth = 60\nmissing = 2", ""), "two-stroke");
  EXPECT_EQ(named("cylinders = 2\nfiring_angles_deg = [0, 416]", "teeth = 60\nmissing = 2", ""), "odd firing");
  EXPECT_EQ(named("cylinders = 2\nfiring_angles_deg = [0, 360]", "teeth = 60\nmissing = 2", ""), "one gap");
}

TEST(Tally, takes_quantiles_by_nearest_rank) {
  EXPECT_DOUBLE_EQ(quantile({4, 1, 3, 2}, 0.5), 2);
  EXPECT_DOUBLE_EQ(quantile({4, 1, 3, 2}, 0.95), 4);
  EXPECT_DOUBLE_EQ(quantile({}, 0.5), 0);
}

TEST(Floor, is_what_six_edges_and_half_a_tick_leave) {
  sim::Scenario scenario;
  scenario.crank.noise.jitter_ns = 1000;
  scenario.tick_ns = 1;
  // 1 us is 0.036 degrees at 6,000 rpm (DESIGN 8); 0.036 * 1.96 / sqrt(6) = 0.028806.
  EXPECT_NEAR(floor_deg(scenario, 6000), 0.028806, 1e-6);
  scenario.crank.noise.jitter_ns = 0;
  scenario.tick_ns = 1000;
  // 0.018 + 1.96 * 0.036 / sqrt(72) = 0.026316.
  EXPECT_NEAR(floor_deg(scenario, 6000), 0.026316, 1e-6);
}

TEST(Draw, gives_the_same_case_for_the_same_seed) {
  const Case one = draw_case(7);
  const Case two = draw_case(7);
  EXPECT_EQ(one.engine_toml, two.engine_toml);
  EXPECT_EQ(sim::simulate(one.engine, one.scenario).edges, sim::simulate(two.engine, two.scenario).edges);
}

TEST(Draw, covers_what_it_promises) {
  std::set<std::size_t> cams;
  std::set<std::string> faults;
  std::set<int> cylinders;
  std::set<WheelClass> wheels;
  std::size_t clean = 0;
  for (std::uint64_t seed = 1; seed <= 400; ++seed) {
    const Case drawn = draw_case(seed);
    ASSERT_EQ(drawn.problem, "") << seed;
    cams.insert(drawn.engine.cams.size());
    cylinders.insert(drawn.engine.cylinders);
    wheels.insert(wheel_class_of(drawn.engine));
    clean += drawn.scenario.faults.empty() ? 1 : 0;
    for (const sim::Fault& fault : drawn.scenario.faults) {
      faults.insert(std::string(sim::to_string(fault.kind)));
    }
  }
  EXPECT_EQ(cams.size(), 5U);  // none to three, and an index
  EXPECT_EQ(wheels.size(), wheel_classes);
  EXPECT_EQ(cylinders.size(), 8U);
  EXPECT_EQ(faults.size(), all_kinds.size());
  EXPECT_GT(clean, 100U);
}

TEST(Feed, names_channels_first_and_counts_items_without_a_hole) {
  const Scene scene = scene_of(3);
  const Stream stream = stream_of(scene.simulation);
  const std::size_t names = scene.simulation.channels.size();
  std::int64_t ticks = 0;
  for (std::size_t i = 0; i < stream.items.size(); ++i) {
    const Item& item = stream.items[i];
    EXPECT_EQ(item.sequence, i);
    EXPECT_EQ(item.host_ns, item.source_ns);
    EXPECT_EQ(item.kind == ItemKind::link_note, i < names || i + 1 == stream.items.size());
    ticks += item.kind == ItemKind::tick ? 1 : 0;
    EXPECT_TRUE(i == 0 || item.source_ns >= stream.items[i - 1].source_ns);
  }
  EXPECT_NEAR(static_cast<double>(ticks), scene.simulation.truth.end_s * 10, 1);
}

TEST(Feed, cuts_into_batches_without_changing_what_comes_out) {
  const Scene scene = scene_of(3);
  const Stream stream = stream_of(scene.simulation);
  Dice one(1, 5);
  Dice other(2, 5);
  const Observed a = observe(scene.drawn.engine, stream, one);
  const Observed b = observe(scene.drawn.engine, stream, other);
  ASSERT_EQ(a.cycles.size(), b.cycles.size());
  ASSERT_EQ(a.findings.size(), b.findings.size());
  for (std::size_t i = 0; i < a.cycles.size(); ++i) {
    EXPECT_EQ(a.cycles[i].tdc_ns, b.cycles[i].tdc_ns);
  }
}

}  // namespace
}  // namespace cw::campaign
