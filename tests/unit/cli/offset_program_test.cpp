// The real program: offset, baseline and history.
#include <gtest/gtest.h>

#include <filesystem>
#include <sstream>

#include "tests/unit/cli/program.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::Ended;
using test::run_program;
using test::ScratchFolder;

constexpr const char* engine_text = R"([engine]
name = "trial four"
cylinders = 4
firing_order = [1, 3, 4, 2]
BASELINE
[crank]
channel = "crank"
active_edge = "falling"
teeth = 36
missing = 1
trigger_offset_deg = 84.0
offset_basis = "BASIS"
[[cam]]
name = "intake"
channel = "cam1"
active_edge = "falling"
edges_deg = [50.0, 230.0, 320.0, 590.0]
[reference]
channel = "ref"
active_edge = "falling"
marks = "spark"
period_deg = 720
advance_deg = 10.0
)";

std::string replaced(std::string text, const std::string& what, const std::string& by) {
  const std::size_t at = text.find(what);
  return at == std::string::npos ? text : text.replace(at, what.size(), by);
}

std::string engine_with(const std::string& basis, const std::string& baseline = "") {
  return replaced(replaced(engine_text, "BASIS", basis), "BASELINE", baseline);
}

// Steady speeds, 7 s each, the mark `error_deg` and `delay_us` late.
std::string scenario(double error_deg, double delay_us, const std::vector<int>& speeds) {
  std::ostringstream text;
  text << "engine = \"engine.toml\"\nseed = 5\ntick_ns = 250\nstart_deg = 300\n[crank]\njitter_ns = "
          "300\n[ecu]\nerror_deg = "
       << error_deg << "\ndelay_us = " << delay_us << "\njitter_us = 2\n";
  for (const int rpm : speeds) {
    text << "[[phase]]\nkind = \"profile\"\nduration_s = 7\nrpm = " << rpm << "\n";
  }
  return text.str();
}

struct OffsetTrial {
  explicit OffsetTrial(const std::string& basis = "verified-mark") { test::write_text(engine, engine_with(basis)); }
  std::string edges(const std::string& name, double error_deg, double delay_us,
                    const std::vector<int>& speeds = {900, 1400, 2100, 3000}) const {
    test::write_text(folder / (name + ".toml"), scenario(error_deg, delay_us, speeds));
    const Ended made = run_program(folder, {"simulate", folder / (name + ".toml"), "--out", folder / name});
    EXPECT_EQ(made.code, 0) << made.err;
    return folder / (name + "/edges.csv");
  }
  Json offset(std::vector<std::string> arguments, int code = 0) const {
    arguments.insert(arguments.begin(), "offset");
    arguments.emplace_back("--json");
    const Ended ended = run_program(folder, arguments);
    EXPECT_EQ(ended.code, code) << ended.err;
    return parse_json(ended.out);
  }
  const ScratchFolder folder;
  const std::string engine = folder / "engine.toml";
};

TEST(Offset, gives_angle_delay_and_the_entry_in_the_direction_of_the_ecu) {
  const OffsetTrial trial;
  const std::string edges = trial.edges("late", 3, 40);
  const Json retards =
      trial.offset({edges, "--engine", trial.engine, "--entry", "1", "--raising", "retards", "--delay-entry", "10"});
  EXPECT_EQ(retards["verdict"], "angle-and-delay");
  EXPECT_NEAR(retards["offset_deg"]["value"].get<double>(), 3, 0.05);
  EXPECT_NEAR(retards["delay_us"]["value"].get<double>(), 40, 2);
  EXPECT_NEAR(retards["enter"]["offset_deg"]["value"].get<double>(), 718, 0.05) << "1 - 3, wrapped to 0 to 720";
  EXPECT_NEAR(retards["enter"]["delay_us"]["value"].get<double>(), 50, 2);
  EXPECT_TRUE(retards["compression_stroke_verified"].get<bool>());
  EXPECT_TRUE(retards.contains("check_after_entry"));
  const Json advances = trial.offset({edges, "--engine", trial.engine, "--entry", "212", "--raising", "advances"});
  EXPECT_NEAR(advances["enter"]["offset_deg"]["value"].get<double>(), 215, 0.05);
}

TEST(Offset, prints_no_number_without_a_basis_or_a_direction) {
  const OffsetTrial trial("unverified");
  const std::string edges = trial.edges("late", 3, 0);
  const Json told = trial.offset({edges, "--engine", trial.engine, "--entry", "212", "--raising", "retards"});
  EXPECT_NEAR(told["offset_deg"]["value"].get<double>(), 3, 0.05);
  EXPECT_FALSE(told.contains("enter"));
  const Ended undirected = run_program(trial.folder, {"offset", edges, "--engine", trial.engine, "--entry", "212"});
  EXPECT_EQ(undirected.code, 2);
  EXPECT_NE(undirected.err.find("--raising"), std::string::npos);
}

TEST(Offset, at_one_speed_says_what_is_known_there) {
  const OffsetTrial trial;
  const std::string edges = trial.edges("one", 3, 0, {1500});
  const Json told = trial.offset({edges, "--engine", trial.engine, "--entry", "212", "--raising", "retards"});
  EXPECT_EQ(told["verdict"], "cannot-tell-yet");
  EXPECT_FALSE(told.contains("offset_deg"));
  EXPECT_NEAR(told["deviation_deg"]["value"].get<double>(), 3, 0.05);
  EXPECT_NEAR(told["enter"]["right_at_rpm_only"].get<double>(), 1500, 5);
}

TEST(Offset, names_a_whole_turn_and_whole_teeth) {
  const OffsetTrial trial;
  EXPECT_EQ(trial.offset({trial.edges("turn", 360, 0), "--engine", trial.engine})["whole_turns"], -1)
      << "half a cycle out is told as early";
  EXPECT_EQ(trial.offset({trial.edges("teeth", 20, 0), "--engine", trial.engine})["whole_teeth"], 2);
}

TEST(Offset, of_a_timing_light_is_judged_modulo_360_and_within_a_degree) {
  const OffsetTrial trial;
  const Json told = trial.offset(
      {"--seen", "7", "--commanded", "10", "--entry", "212", "--raising", "retards", "--basis", "piston-stop"});
  EXPECT_NEAR(told["enter"]["offset_deg"]["value"].get<double>(), 209, 1e-6);
  EXPECT_NEAR(told["enter"]["offset_deg"]["half_width"].get<double>(), 1, 1e-6);
  EXPECT_FALSE(told["compression_stroke_verified"].get<bool>());
  EXPECT_FALSE(
      trial.offset({"--seen", "7", "--commanded", "10", "--entry", "212", "--raising", "retards"}).contains("enter"));
  EXPECT_EQ(trial.offset({"--seen", "-3", "--commanded", "0", "--entry", "2", "--raising", "retards", "--basis",
                          "piston-stop", "--two-stroke"})["enter"]["offset_deg"]["value"],
            359);
}

TEST(Offset, refuses_what_makes_no_sense_in_one_line) {
  const OffsetTrial trial;
  for (const std::vector<std::string>& arguments :
       {std::vector<std::string>{"offset"},
        {"offset", "--seen", "7"},
        {"offset", "--seen", "7", "--seen", "8", "--rpm", "900", "--commanded", "10"},
        {"offset", "x.csv", "--seen", "7", "--commanded", "10"}}) {
    const Ended ended = run_program(trial.folder, arguments);
    EXPECT_EQ(ended.code, 2);
    EXPECT_EQ(std::count(ended.err.begin(), ended.err.end(), '\n'), 1) << ended.err;
  }
  EXPECT_EQ(run_program(trial.folder, {"offset", trial.folder / "none.csv", "--engine", trial.engine}).code, 3);
}

TEST(Offset, of_a_file_that_cannot_be_read_to_its_end_ends_as_a_replay_of_it) {
  const OffsetTrial trial;
  const std::string edges = trial.edges("late", 3, 0);
  test::write_text(edges, replaced(test::file_text(edges), "crank,f\n", "crank,f\nwhat is this\n"));
  EXPECT_EQ(run_program(trial.folder, {"offset", edges, "--engine", trial.engine}).code, 3);
}

TEST(Baseline, is_kept_compared_and_told_by_replay_from_the_session_alone) {
  const OffsetTrial trial;
  const std::string good = trial.edges("good", 0, 0, {900, 2100});
  const std::string late = trial.edges("late", 1.5, 0, {900, 2100});
  const std::string file = trial.folder / "kept.toml";
  EXPECT_EQ(run_program(trial.folder, {"baseline", good, "--engine", trial.engine, "--save", file}).code, 0);
  EXPECT_EQ(run_program(trial.folder, {"baseline", good, "--engine", trial.engine, "--save", file}).code, 5)
      << "no overwriting";
  const auto compared = [&](const std::string& edges) {
    return parse_json(
        run_program(trial.folder, {"baseline", edges, "--engine", trial.engine, "--against", file, "--json"})
            .out)["differs"];
  };
  EXPECT_EQ(compared(good), false);
  EXPECT_EQ(compared(late), true);

  const std::string with = trial.folder / "with.toml";
  test::write_text(with, engine_with("verified-mark", "baseline = \"kept.toml\""));
  EXPECT_EQ(run_program(trial.folder, {"replay", late, "--engine", with, "--out", trial.folder / "one"}).code, 0);
  const std::string events = test::file_text(trial.folder / "one/events.jsonl");
  EXPECT_NE(events.find("\"kind\":\"differs-from-baseline\""), std::string::npos);
  std::filesystem::remove(file);
  EXPECT_EQ(run_program(trial.folder, {"replay", trial.folder / "one", "--out", trial.folder / "two"}).code, 0);
  EXPECT_EQ(test::file_text(trial.folder / "two/events.jsonl"), events) << "the session keeps the baseline's text";
  const Ended missing = run_program(trial.folder, {"replay", late, "--engine", with});
  EXPECT_EQ(missing.code, 2);
  EXPECT_NE(missing.err.find("engine.baseline"), std::string::npos) << missing.err;
}

TEST(History, reads_text_files_only_names_foreign_folders_and_says_what_changed) {
  const OffsetTrial trial;
  const std::string sessions = trial.folder / "sessions";
  std::filesystem::create_directories(sessions + "/not-ours");
  const auto add = [&](const std::string& name, double error_deg) {
    const std::string edges = trial.edges(name, error_deg, 0);
    EXPECT_EQ(
        run_program(trial.folder, {"replay", edges, "--engine", trial.engine, "--out", sessions + "/" + name}).code, 0);
    std::filesystem::remove_all(sessions + "/" + name + "/capture");
  };
  add("a", 0);
  add("b", 2);
  add("c", 2);
  std::filesystem::remove(sessions + "/c/summary.json");
  const Ended ended = run_program(trial.folder, {"history", sessions, "--json"});
  EXPECT_EQ(ended.code, 0);
  EXPECT_NE(ended.err.find("not-ours"), std::string::npos);
  std::vector<Json> rows;
  std::istringstream lines(ended.out);
  for (std::string line; std::getline(lines, line);) {
    rows.push_back(parse_json(line));
  }
  ASSERT_EQ(rows.size(), 3U);
  EXPECT_NEAR(rows[1]["offset_deg"]["value"].get<double>(), 2, 0.05);
  EXPECT_NE(rows[1]["changed"].dump().find("TDC deviation changed by +2.0"), std::string::npos) << rows[1].dump();
  EXPECT_EQ(rows[2]["closed"], false);
  EXPECT_NEAR(rows[2]["tdc_deviation_deg"]["value"].get<double>(), 2, 0.05) << "from trend.csv";
  EXPECT_EQ(run_program(trial.folder, {"history", trial.folder / "nowhere"}).code, 3);
}

}  // namespace
}  // namespace cw
