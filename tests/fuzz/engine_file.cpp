// Engine files: config/. One that is accepted must be usable: explained and drawn by `check`, kept in session.toml and
// read back, and its own edges sent through the monitor.
#include <cmath>
#include <sstream>

#include "cli/check.hpp"
#include "cli/check_page.hpp"
#include "config/engine_file.hpp"
#include "error_line.hpp"
#include "geometry/tooth_cycle.hpp"
#include "monitor_rules.hpp"
#include "real_files.hpp"
#include "record/session_info.hpp"

namespace cw::fuzz {

namespace {

void try_geometry(const Engine& engine) {
  const ToothCycle cycle = tooth_cycle(engine);
  expect(!cycle.teeth.empty() && cycle.repeat_teeth > 0, "teeth");
  expect(cycle.teeth.size() % static_cast<std::size_t>(cycle.repeat_teeth) == 0, "whole repeats");
  double sum_deg = 0;
  for (const CycleTooth& tooth : cycle.teeth) {
    expect(tooth.step_deg > 0, "a step to the next tooth");
    expect(tooth.crank_deg >= 0 && tooth.crank_deg < engine.cycle_deg, "teeth within the cycle");
    sum_deg += tooth.step_deg;
  }
  constexpr double rounding_deg = 1e-6;
  expect(std::fabs(sum_deg - engine.cycle_deg) < rounding_deg, "steps that make a cycle");
  for (const CamPattern& cam : engine.cams) {
    for (const CamEdge& edge : cam.edges) {
      expect(edge.angle_deg >= 0 && edge.angle_deg < engine.cycle_deg, "cam edges within the cycle");
    }
  }
}

void try_check(const Engine& engine, Choices& choices) {
  CheckLook look;
  look.width = check_width_min + static_cast<int>(choices.take(6)) % (check_width_max - check_width_min + 1);
  look.utf8 = choices.flag();
  std::ostringstream words;
  explain_engine(engine, "F", look, words);
  expect(!words.str().empty(), "words about a sound file");
  std::istringstream drawing(draw_cycle(engine, look));
  for (std::string line; std::getline(drawing, line);) {
    expect(columns_of(line) <= static_cast<std::size_t>(look.width), "a drawing no wider than asked for");
  }
}

void try_session(std::string_view text) {
  SessionInfo info;
  info.engine_file_name = "F";
  info.engine_file_text = text;
  const auto read = parse_session_toml(session_toml(info), "S");
  const auto* again = std::get_if<SessionInfo>(&read);
  expect(again != nullptr && again->engine_file_text == text, "a session that keeps the text of its engine file");
}

// Its own edges, with some missed, doubled or shifted.
void try_edges(const Engine& engine, Choices& choices) {
  constexpr double edges_max = 3000;
  double edges_a_turn = static_cast<double>(engine.crank.teeth.size()) * 360 / engine.crank.period_deg + 1;
  for (const CamPattern& cam : engine.cams) {
    edges_a_turn += static_cast<double>(cam.edges.size());
  }
  EngineRun how;
  how.degrees = std::min(360.0 * 24, 360 * edges_max / edges_a_turn);
  how.rpm = 100.0 + 40 * choices.take(7);
  how.rpm_a_turn = choices.flag() ? 30 : -5;
  const std::uint32_t fault_every = 16U << choices.take(4);
  Dice dice(1 + choices.take(16));
  ItemMaker maker(engine);
  for (const RunEdge& edge : run_edges(engine, how)) {
    const std::uint32_t kind = dice.next() % fault_every;
    if (kind != 0) {
      maker.edge(edge.t_ns, edge.channel, edge.code);
    }
    if (kind == 1) {
      maker.edge(edge.t_ns + dice.next() % 1000, edge.channel, edge.code);
    }
  }
  try_monitor(engine, maker.items());
}

}  // namespace

void run(std::string_view input) {
  Choices choices(input);
  const auto read = parse_engine(choices.rest(), "F");
  if (const auto* error = std::get_if<ConfigError>(&read)) {
    expect_error_line(error->message);
    return;
  }
  const auto& engine = std::get<Engine>(read);
  try_geometry(engine);
  try_check(engine, choices);
  try_session(choices.rest());
  try_edges(engine, choices);
}

void seeds(const AddSeed& add) {
  for (const char* folder : {"config/engines", "config/demo"}) {
    for (const std::string& path : files_of_tree(folder, ".toml")) {
      add(file_of_tree(path));
    }
  }
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {"[engine]\n",
                                             "[crank]\n",
                                             "[[cam]]\n",
                                             "[reference]\n",
                                             "[[source]]\n",
                                             "[limits]\n",
                                             "name = ",
                                             "cylinders = ",
                                             "firing_order = ",
                                             "firing_angles_deg = ",
                                             "cycle_deg = 360\n",
                                             "channel = ",
                                             "active_edge = ",
                                             "\"falling\"",
                                             "\"rising\"",
                                             "teeth = ",
                                             "missing = ",
                                             "gaps = [[1, 2]]\n",
                                             "tooth_angles_deg = [0, 10]\n",
                                             "trigger_offset_deg = ",
                                             "offset_basis = ",
                                             "\"piston-stop\"",
                                             "\"verified-mark\"",
                                             "\"unverified\"",
                                             "shaft = \"cam\"\n",
                                             "shaft = \"crank\"\n",
                                             "edges_deg = [",
                                             "rising_deg = [",
                                             "phaser_range_deg = [-40.0, 0.0]\n",
                                             "tolerance_deg = ",
                                             "gear_teeth = ",
                                             "period_deg = 360\n",
                                             "marks = \"spark\"\n",
                                             "marks = \"tdc\"\n",
                                             "advance_deg = ",
                                             "advance_from = ",
                                             "delay_us = ",
                                             "driver = ",
                                             "address = ",
                                             "channels = { crank = \"D0\" }\n",
                                             "inf",
                                             "nan",
                                             "-0.0",
                                             "1e308",
                                             "9223372036854775807",
                                             "'''",
                                             "\"\"\""};
  return all;
}

}  // namespace cw::fuzz
