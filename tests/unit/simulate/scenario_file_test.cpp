#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <variant>

#include <gtest/gtest.h>

#include "simulate/output_files.hpp"
#include "simulate/random.hpp"
#include "simulate/scenario_file.hpp"
#include "text/json.hpp"
#include "trial_engine.hpp"

namespace cw::sim {
namespace {

constexpr const char* whole = R"(engine = "../engines/trial.toml"
seed = 42
start_deg = 10.0
tick_ns = 100

[model]
inertia_kg_m2 = 0.2

[crank]
jitter_ns = 300
duty = 0.4

[[cam]]
name = "intake"
phaser = [[0.0, 0.0], [5.0, -20.0]]

[ecu]
error_deg = 1.5

[[phase]]
kind = "crank"
duration_s = 1.0
kick_back = { after_s = 0.5, advance_deg = 30.0, heat_j = 400.0 }

[[phase]]
kind = "profile"
duration_s = 2
rpm = 1000
accel_rpm_s = 500
ripple = [{ order = 2.0, amplitude = 0.1 }, { order = 4.0, amplitude = 0.05, phase_deg = 30.0 }]

[[fault]]
kind = "missed-edge"
cycle = 5
angle_deg = 100.0
tooth = 17
)";

TEST(ScenarioFile, reads_every_part) {
  const auto result = parse_scenario(whole, "/somewhere/scenarios/first.toml");
  ASSERT_TRUE(std::holds_alternative<Scenario>(result)) << std::get<ScenarioError>(result).message;
  const Scenario& scenario = std::get<Scenario>(result);
  EXPECT_EQ(scenario.engine_path, "/somewhere/engines/trial.toml");
  EXPECT_EQ(scenario.seed, 42u);
  EXPECT_EQ(scenario.tick_ns, 100);
  EXPECT_DOUBLE_EQ(scenario.model.inertia_kg_m2, 0.2);
  EXPECT_DOUBLE_EQ(scenario.crank.noise.jitter_ns, 300);
  ASSERT_EQ(scenario.cams.size(), 1u);
  EXPECT_DOUBLE_EQ(scenario.cams[0].phaser[1].deg, -20);
  EXPECT_DOUBLE_EQ(scenario.ecu.error_deg, 1.5);
  ASSERT_EQ(scenario.phases.size(), 2u);
  ASSERT_TRUE(scenario.phases[0].kick_back.has_value());
  EXPECT_DOUBLE_EQ(scenario.phases[1].rpm_end, 2000);
  EXPECT_DOUBLE_EQ(scenario.phases[1].ripples[1].phase_deg, 30);
  ASSERT_EQ(scenario.faults.size(), 1u);
  EXPECT_EQ(scenario.faults[0].tooth, 17);
  EXPECT_EQ(find_problem(trial_engine(), scenario), std::nullopt);
}

struct BadFile {
  const char* text;
  const char* line_and_key;
};

TEST(ScenarioFile, says_in_one_line_what_is_wrong) {
  const BadFile files[] = {
      {"", "s.toml:1: engine: missing"},
      {"engine = 5", "s.toml:1: engine: expected a text"},
      {"engine = \"e.toml\"\n", "phase: missing"},
      {"engine = \"e.toml\"\nspeed = 3\n", "s.toml:2: speed: unknown key"},
      {"engine = \"e.toml\"\nseed = -1\n", "s.toml:2: seed: expected a whole number from 0"},
      {"engine = \"e.toml\"\nseed = 1.5\n", "s.toml:2: seed: expected a whole number"},
      {"engine = \"e.toml\"\nstart_deg = 720.0\n", "s.toml:2: start_deg: expected a number from 0"},
      {"engine = \"e.toml\"\nstart_deg = nan\n", "s.toml:2: start_deg: expected a number"},
      {"engine = \"e.toml\"\n[crank]\nduty = 1.5\n", "s.toml:3: crank.duty: expected a number from 0.02 to 0.98"},
      {"engine = \"e.toml\"\n[crank]\npitch_errors_deg = [1, \"x\"]\n", "s.toml:3: crank.pitch_errors_deg: expected"},
      {"engine = \"e.toml\"\n[crank]\njiter_ns = 3\n", "s.toml:3: crank.jiter_ns: unknown key"},
      {"engine = \"e.toml\"\n[[cam]]\nwidth_deg = 3\n", "cam[1].name: missing"},
      {"engine = \"e.toml\"\n[[cam]]\nname = \"a\"\nphaser = [[1.0, 2.0], [0.5, 1.0]]\n", "s.toml:4: cam[1].phaser"},
      {"engine = \"e.toml\"\n[[cam]]\nname = \"a\"\nphaser = [[1.0]]\n", "s.toml:4: cam[1].phaser: expected 2 numbers"},
      {"engine = \"e.toml\"\n[[phase]]\nduration_s = 1\n", "phase[1].kind: missing"},
      {"engine = \"e.toml\"\n[[phase]]\nkind = \"idle\"\nduration_s = 1\n", "s.toml:3: phase[1].kind: expected rest"},
      {"engine = \"e.toml\"\n[[phase]]\nkind = \"rest\"\nduration_s = 0\n", "s.toml:4: phase[1].duration_s: expected"},
      {"engine = \"e.toml\"\n[[phase]]\nkind = \"profile\"\nduration_s = 1\nrpm = 100\naccel_rpm_s = -500\n",
       "s.toml:6: phase[1].accel_rpm_s: expected a speed"},
      {"engine = \"e.toml\"\n[[phase]]\nkind = \"profile\"\nduration_s = 1\nripple = [{ ordre = 2 }]\n",
       "phase[1].ripple[1].ordre: unknown key"},
      {"engine = \"e.toml\"\n[[phase]]\nkind = \"rest\"\nduration_s = 1\n[[fault]]\nkind = \"lost\"\nat_s = 1\n",
       "s.toml:6: fault[1].kind: expected a kind of fault"},
      {"engine = \"e.toml\"\n[[phase]]\nkind = \"rest\"\nduration_s = 1\n[[fault]]\nkind = \"missed-edge\"\n",
       "fault[1].at_s: expected either at_s, or cycle"},
      {"engine = \"e.toml\"\n[[phase]]\nkind = \"rest\"\nduration_s = 1\n[[fault]]\nkind = \"missed-edge\"\nat_s = 1\n"
       "one_edge = 1\n",
       "s.toml:8: fault[1].one_edge: expected true or false"},
      {"engine = \"e.toml\"\n[[phase]]\nkind = \"rest\"\nduration_s = 1\n[[fault]]\nkind = \"missed-edge\"\nat_s = 1\n"
       "seen_by = \"nobody\"\n",
       "s.toml:8: fault[1].seen_by: expected both, tap or ecu"},
      {"engine = \"e.toml\"\n[ecu.can]\nlayouts = [\"slate\", \"slat\"]\n",
       "s.toml:3: ecu.can.layouts: expected a list"},
      {"engine = \"e.toml\"\n[ecu.can]\nlayouts = []\n", "s.toml:3: ecu.can.layouts: expected a list"},
      {"engine = \"e.toml\"\n[ecu.can]\nlayouts = \"slate\"\n", "s.toml:3: ecu.can.layouts: expected a list"},
      {"engine = \"e.toml\"\n[ecu.can]\ninterface = \"can 0\"\n", "s.toml:3: ecu.can.interface: expected 1 to 15"},
      {"engine = \"e.toml\"\n[ecu.can]\nbus_load = 1\n", "s.toml:3: ecu.can.bus_load: expected a number from 0 to 0.9"},
      {"engine = \"e.toml\"\n[ecu.counter]\ngood_turns = 0\n", "s.toml:3: ecu.counter.good_turns: expected a whole"},
      {"engine = \"e.toml\"\n[ecu.counter]\nspeed = 0\n", "s.toml:3: ecu.counter.speed: unknown key"},
      {"engine = \"e.toml\"\n[ecu]\nspark_cuts = [[2, 1]]\n", "s.toml:3: ecu.spark_cuts: expected rows"},
      {"engine = \"e.toml\"\n[ecu]\nadvance_table = [[1000, 90]]\n", "s.toml:3: ecu.advance_table: expected rows"},
      {"engine = \"e.toml\"\nphase = 3\n", "s.toml:2: phase: expected a table"},
      {"engine = \"e.toml\n", "s.toml:1: not valid TOML"},
  };
  for (const BadFile& file : files) {
    const auto result = parse_scenario(file.text, "s.toml");
    ASSERT_TRUE(std::holds_alternative<ScenarioError>(result)) << file.text;
    const std::string& message = std::get<ScenarioError>(result).message;
    EXPECT_NE(message.find(file.line_and_key), std::string::npos) << file.text << "gave: " << message;
    EXPECT_EQ(message.find('\n'), std::string::npos) << message;
  }
}

TEST(ScenarioFile, reads_an_ecu_that_counts_and_broadcasts) {
  const auto result = parse_scenario(R"(engine = "e.toml"
[ecu]
advance_table = [[800, 10], [3000, 25]]
spark_cuts = [[1, 1.5]]
[ecu.counter]
good_turns = 3
[ecu.can]
layouts = ["marl", "eec1"]
clock_offset_s = 1700000000
[[phase]]
kind = "rest"
duration_s = 1
[[fault]]
kind = "ecu-restarted"
at_s = 0.5
for_s = 0.2
[[fault]]
kind = "missed-edge"
at_s = 0.5
seen_by = "ecu"
)",
                                     "s.toml");
  ASSERT_TRUE(std::holds_alternative<Scenario>(result)) << std::get<ScenarioError>(result).message;
  Scenario scenario = std::get<Scenario>(result);
  EXPECT_EQ(scenario.ecu.advance_table.at(1).deg, 25);
  EXPECT_EQ(scenario.ecu.spark_cuts.at(0).to_s, 1.5);
  ASSERT_TRUE(scenario.ecu.counter && scenario.ecu.can);
  EXPECT_EQ(scenario.ecu.counter->good_turns, 3);
  EXPECT_EQ(scenario.ecu.can->layouts, (std::vector{CanLayout::marl, CanLayout::eec1}));
  EXPECT_EQ(scenario.faults.at(1).seen_by, SeenBy::ecu);
  EXPECT_EQ(find_problem(trial_engine(), scenario), std::nullopt);
  // What wants a modelled ECU is refused without one.
  scenario.ecu = {};
  EXPECT_EQ(find_problem(trial_engine(), scenario),
            "fault 1 (ecu-restarted): kind: expected a modelled ECU, [ecu.counter] or [ecu.can]");
  scenario.faults.erase(scenario.faults.begin());
  EXPECT_EQ(find_problem(trial_engine(), scenario),
            "fault 1 (missed-edge): seen_by: expected a modelled ECU, [ecu.counter] or [ecu.can]");
}

// Found by fuzzing: the parser's own words held the line end.
TEST(ScenarioFile, an_error_of_the_toml_parser_stays_on_one_line) {
  const auto result = parse_scenario("engine = \"engine.toml\"\nseed = t\n28ration_s = 0.8\n", "s.toml");
  ASSERT_TRUE(std::holds_alternative<ScenarioError>(result));
  EXPECT_EQ(std::get<ScenarioError>(result).message,
            "s.toml:2: not valid TOML: Error while parsing boolean: expected 'true', saw 't\\x0a'");
}

// Found while fuzzing: toml++ frees the tables of a.a.a... by recursion, and the stack ended.
TEST(ScenarioFile, a_chain_of_half_a_million_keys_is_refused) {
  std::string text = "a";
  for (int i = 0; i < 500'000; ++i) {
    text += ".a";
  }
  const auto result = parse_scenario(text + " = 1\n", "s.toml");
  ASSERT_TRUE(std::holds_alternative<ScenarioError>(result));
  EXPECT_EQ(std::get<ScenarioError>(result).message, "s.toml:1: expected keys of at most 9 dotted parts, found more");
}

TEST(ScenarioFile, that_cannot_be_read_is_an_error) {
  for (const char* path : {"/nowhere/at/all.toml", "/"}) {
    const auto result = load_scenario(path);
    ASSERT_TRUE(std::holds_alternative<ScenarioError>(result));
    EXPECT_NE(std::get<ScenarioError>(result).message.find(path), std::string::npos);
  }
}

// Files that are broken at random: an error in one line or a run, never a crash.
TEST(ScenarioFile, broken_at_random_is_refused_or_run) {
  Random random(3, 1);
  const std::string alphabet = "0123456789.-=[]{},\"\n eabc";
  int run = 0;
  for (int round = 0; round < 1500; ++round) {
    std::string text = whole;
    for (int change = 0; change < 1 + round % 4; ++change) {
      const auto at = static_cast<std::size_t>(random.uniform() * static_cast<double>(text.size()));
      text[at] = alphabet[static_cast<std::size_t>(random.uniform() * static_cast<double>(alphabet.size()))];
    }
    const auto result = parse_scenario(text, "s.toml");
    if (const auto* error = std::get_if<ScenarioError>(&result)) {
      ASSERT_FALSE(error->message.empty());
      ASSERT_EQ(error->message.find('\n'), std::string::npos) << error->message;
      continue;
    }
    const Scenario& scenario = std::get<Scenario>(result);
    double duration_s = 0;
    for (const Phase& phase : scenario.phases) {
      duration_s += phase.duration_s;
    }
    if (duration_s < 5 && !find_problem(trial_engine(), scenario)) {
      run += simulate(trial_engine(), scenario).truth.samples.empty() ? 0 : 1;
    }
  }
  EXPECT_GT(run, 20);  // enough of them still say something that can be run
}

TEST(ScenarioFile, numbers_that_fit_no_engine_are_told) {
  Scenario scenario;
  scenario.model.inertia_kg_m2 = 1e-4;
  scenario.model.reciprocating_kg = 0;
  scenario.model.starter_stall_nm = 1e6;
  scenario.model.starter_free_rpm = 5000;
  scenario.phases = {driven(PhaseKind::crank, 2)};
  const auto problem = run_scenario(trial_engine(), scenario, testing::TempDir() + "/simulate_runaway");
  ASSERT_TRUE(problem.has_value());
  EXPECT_NE(problem->find("ran away"), std::string::npos);
}

TEST(ScenarioFile, a_run_too_long_to_hold_is_refused) {
  Scenario scenario;
  scenario.phases = {steady(6000, 100000)};
  const auto problem = find_problem(trial_engine(), scenario);
  ASSERT_TRUE(problem.has_value());
  EXPECT_NE(problem->find("at most 50 million"), std::string::npos);
}

std::string read(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

class Files : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::path(testing::TempDir()) /
              ("simulate_" + std::string(testing::UnitTest::GetInstance()->current_test_info()->name()));
    std::filesystem::remove_all(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }
  std::filesystem::path folder_;
};

TEST_F(Files, edges_and_truth_are_written_and_the_same_each_time) {
  Scenario scenario = steady_scenario();
  scenario.phases = {steady(1000, 0.5)};
  Fault fault;
  fault.at_s = 0.2;
  scenario.faults = {fault};
  const Engine engine = trial_engine();
  ASSERT_EQ(run_scenario(engine, scenario, folder_ / "a"), std::nullopt);
  ASSERT_EQ(run_scenario(engine, scenario, folder_ / "b"), std::nullopt);
  const std::string edges = read(folder_ / "a" / "edges.csv");
  EXPECT_EQ(edges, read(folder_ / "b" / "edges.csv"));
  EXPECT_EQ(read(folder_ / "a" / "truth.json"), read(folder_ / "b" / "truth.json"));
  EXPECT_EQ(edges.rfind("t_ns,channel,edge\n", 0), 0u);
  EXPECT_NE(edges.find("\n10333333,cam1,f\n"), std::string::npos);  // 62 degrees at 6,000 degrees a second
  const auto truth = parse_json(read(folder_ / "a" / "truth.json"));
  EXPECT_EQ(truth["tdc1_ns"], (std::vector<std::int64_t>{120000000, 240000000, 360000000, 480000000}));
  EXPECT_EQ(truth["faults"][0]["kind"], "missed-edge");
  EXPECT_EQ(truth["samples"]["t_ns"].size(), truth["samples"]["crank_deg_unwrapped"].size());
}

TEST_F(Files, a_folder_that_cannot_be_made_is_an_error) {
  std::filesystem::create_directories(folder_);
  std::ofstream(folder_ / "file") << "x";
  const auto problem = run_scenario(trial_engine(), steady_scenario(), folder_ / "file" / "below");
  ASSERT_TRUE(problem.has_value());
  EXPECT_NE(problem->find("below"), std::string::npos);
}

}  // namespace
}  // namespace cw::sim
