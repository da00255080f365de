// `check`: what it says and draws about files whose answers are worked out by hand here.
#include "cli/check.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cstdlib>
#include <random>
#include <sstream>
#include <string>
#include <variant>
#include <vector>

#include "cli/line_load.hpp"
#include "config/engine_file.hpp"
#include "tests/unit/text_lines.hpp"

namespace cw {
namespace {

constexpr CheckLook wide = {100, true};
constexpr CheckLook plain = {80, false};

Engine engine_of(const std::string& text) {
  const auto result = parse_engine(text, "check.toml");
  if (const auto* error = std::get_if<ConfigError>(&result)) {
    ADD_FAILURE() << error->message;
    return {};
  }
  return std::get<Engine>(result);
}

Engine ready_engine(const std::string& name) {
  return std::get<Engine>(load_engine(CRANKWITNESS_SOURCE_DIR "/config/engines/" + name + ".toml"));
}

const std::string twin = "[engine]\ncylinders = 2\nfiring_order = [1, 2]\n";
const std::string edge_and_offset = "[crank]\nactive_edge = \"falling\"\ntrigger_offset_deg = 60\n";

// The explanation with line breaks and indents taken out, so that a sentence is found however it is wrapped.
std::string words_of(const Engine& engine, const CheckLook& look = wide) {
  std::ostringstream out;
  explain_engine(engine, "check.toml", look, out);
  std::string flat;
  for (const char c : out.str()) {
    const char own = c == '\n' ? ' ' : c;
    if (own != ' ' || flat.empty() || flat.back() != ' ') {
      flat += own;
    }
  }
  return flat;
}

using test::lines_of;

std::size_t columns_of_line(const std::string& line) {
  return static_cast<std::size_t>(
      std::count_if(line.begin(), line.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xc0) != 0x80; }));
}

// The rows of the drawing that begin with `label`, the label cut off.
std::vector<std::string> rows_of(const Engine& engine, const std::string& label, const CheckLook& look) {
  std::vector<std::string> rows;
  for (const std::string& line : lines_of(draw_cycle(engine, look))) {
    if (line.rfind(label + " ", 0) == 0) {
      rows.push_back(line.substr(7));
    }
  }
  return rows;
}

bool says(const Engine& engine, const std::string& sentence) {
  const std::string words = words_of(engine);
  const bool found = words.find(sentence) != std::string::npos;
  EXPECT_TRUE(found) << sentence << "\nnot in: " << words;
  return found;
}

std::vector<Engine> varied_engines() {
  std::vector<Engine> engines;
  for (const char* name : {"demo-four", "quarry-three", "basalt-eight", "harbour-single", "ferry-four", "ridge-six",
                           "orchard-four", "tarn-four", "copper-six", "winch-six", "cinder-twin", "skiff-twin"}) {
    engines.push_back(ready_engine(name));
  }
  for (const char* wheel : {"teeth = 4\nmissing = 0\n", "teeth = 1\nmissing = 0\n", "teeth = 400\nmissing = 1\n",
                            "teeth = 133\nmissing = 0\n", "teeth = 23\ngaps = [[3, 1], [9, 4]]\n",
                            "tooth_angles_deg = [0, 10, 20.5, 300]\n", "shaft = \"cam\"\nteeth = 7\nmissing = 1\n",
                            "shaft = \"cam\"\ntooth_angles_deg = [0, 180, 400]\n"}) {
    engines.push_back(engine_of(twin + edge_and_offset + wheel +
                                "[[cam]]\nname = \"a_long_name_for_a_cam\"\nchannel = \"c\"\nrising_deg = [5, 300]\n"
                                "falling_deg = [90, 710]\nphaser_range_deg = [-50, 20]\ntolerance_deg = 15\n"));
  }
  return engines;
}

TEST(CheckText, stays_within_the_width_of_the_terminal) {
  for (const Engine& engine : varied_engines()) {
    for (const int width : {72, 80, 97, 120}) {
      std::ostringstream out;
      explain_engine(engine, "check.toml", {width, true}, out);
      for (const std::string& line : lines_of(out.str())) {
        EXPECT_LE(columns_of_line(line), static_cast<std::size_t>(width)) << line;
      }
    }
  }
}

TEST(CheckText, is_plain_ascii_where_the_locale_has_no_more) {
  for (const Engine& engine : varied_engines()) {
    std::ostringstream out;
    explain_engine(engine, "check.toml", plain, out);
    for (const char c : out.str()) {
      ASSERT_LT(static_cast<unsigned char>(c), 0x80) << out.str();
    }
  }
}

// A file put together from lines drawn at random: most are bad, some are sound and odd.
std::string random_file(std::mt19937& random) {
  static const std::vector<std::vector<std::string>> choices = {
      {"[engine]"},
      {"cylinders = 1", "cylinders = 3", "cylinders = 24"},
      {"", "firing_order = [1, 2, 3]", "firing_angles_deg = [0, 240.25, 719.9]", "firing_angles_deg = [0, 0, 0]"},
      {"", "", "cycle_deg = 360"},
      {"[crank]\nactive_edge = \"falling\""},
      {"", "", "shaft = \"cam\""},
      {"teeth = 1\nmissing = 0", "teeth = 2\nmissing = 1", "teeth = 400\nmissing = 399", "teeth = 60\nmissing = 2",
       "teeth = 37\ngaps = [[1, 1], [3, 34]]", "tooth_angles_deg = [0]", "tooth_angles_deg = [0, 0.1, 359.9]"},
      {"trigger_offset_deg = 0", "trigger_offset_deg = 359.999999", "trigger_offset_deg = 719.9999999999999"},
      {"", "[[cam]]\nname = \"a\"\nchannel = \"c\""},
      {"active_edge = \"rising\"\nedges_deg = [0]", "rising_deg = [0, 719.9]\nfalling_deg = [0.05, 719.95]",
       "falling_deg = [1e-300, 359.9]", "active_edge = \"falling\"\nedges_deg = [0, 90, 180, 270, 360, 450, 540, 630]"},
      {"", "phaser_range_deg = [-180, 180]", "phaser_range_deg = [0, 1e-9]"},
      {"", "tolerance_deg = 90", "tolerance_deg = 1e-300"},
      {"", "", "period_deg = 360"},
      {"", "[reference]\nactive_edge = \"falling\"\nmarks = \"spark\""},
      {"advance_deg = -60", "advance_deg = 90", "advance_from = \"x\""},
  };
  std::string text;
  for (const std::vector<std::string>& lines : choices) {
    text += lines[random() % lines.size()] + "\n";
  }
  return text;
}

TEST(CheckText, explains_whatever_the_loader_accepts) {
  std::mt19937 random(4711);
  int sound = 0;
  for (int run = 0; run < 20'000; ++run) {
    const auto result = parse_engine(random_file(random), "random.toml");
    if (const auto* engine = std::get_if<Engine>(&result)) {
      ++sound;
      std::ostringstream out;
      explain_engine(*engine, "random.toml", run % 2 == 0 ? wide : plain, out);
      EXPECT_EQ(out.str().find("nan"), std::string::npos) << out.str();
      EXPECT_EQ(out.str().find("inf"), std::string::npos) << out.str();
    }
  }
  EXPECT_GT(sound, 300);
}

TEST(CheckText, has_no_trailing_spaces) {
  for (const Engine& engine : varied_engines()) {
    std::ostringstream out;
    explain_engine(engine, "check.toml", wide, out);
    for (const std::string& line : lines_of(out.str())) {
      EXPECT_FALSE(line.ends_with(' ')) << line;
    }
  }
}

TEST(CheckWords, tell_where_the_gap_passes_and_which_tooth_is_nearest_to_tdc) {
  // Offset 114: tooth 1 at 720 - 114 = 606, the gap of 3 * 6 = 18 before it. Tooth 20 is 19 * 6 = 114 further: TDC1.
  const Engine engine = ready_engine("demo-four");
  says(engine, "18° from tooth 58 to tooth 1");
  says(engine, "from 228° to 246° and from 588° to 606°");
  says(engine, "Nearest to TDC1 is tooth 20: it passes exactly there.");
  says(engine, "that tooth stands at 606°, and tooth 1 of the other turn at 246°");
}

TEST(CheckWords, tell_how_far_the_nearest_tooth_is_and_on_which_side) {
  // 24-1, offset 67.5, pitch 15: tooth 5 is 60 after tooth 1, 7.5 before TDC1; tooth 6 is 7.5 after. The first is told.
  says(ready_engine("harbour-single"), "Nearest to TDC1 is tooth 5: it passes 7.5° before it.");
  // Teeth at 0, 70, 180 with offset 60: tooth 2 passes 10 after TDC1.
  says(engine_of(twin + edge_and_offset + "tooth_angles_deg = [0, 70, 180]\n"),
       "Nearest to TDC1 is tooth 2: it passes 10° after it.");
}

TEST(CheckWords, state_the_basis_of_the_offset_and_never_more_than_that) {
  says(ready_engine("basalt-eight"), "agrees with the file only");
  says(ready_engine("demo-four"), "light on a verified mark");
  says(ready_engine("quarry-three"), "piston stop");
  EXPECT_EQ(words_of(ready_engine("demo-four")).find("agrees with the file only"), std::string::npos);
}

TEST(CheckWords, name_the_cam_edges_that_alone_decide_the_turn) {
  // One turn on, the edge at 242 stands at 602, where the cam has another; 62 + 360 = 422 and 332 + 360 = 692 are free.
  says(ready_engine("demo-four"),
       "the edges at 62 and 332° tell the two turns apart; at 242 and 602° the other turn has an edge in the same "
       "place");
  says(ready_engine("quarry-three"), "Any one of its edges, seen alone, tells the two turns apart.");
  says(ready_engine("harbour-single"), "so agreeing repeats are asked for");
}

TEST(CheckWords, say_what_no_cam_leaves_open) {
  says(engine_of(twin + edge_and_offset + "teeth = 36\nmissing = 1\n"), "No cam: position known within 360° only");
  says(engine_of(twin + edge_and_offset + "teeth = 4\nmissing = 0\n"), "No cam: 8 places stay possible");
}

TEST(CheckWords, say_when_a_cam_can_not_settle_the_turn) {
  const std::string wheel = twin + edge_and_offset + "teeth = 36\nmissing = 1\n";
  says(engine_of(wheel + "[[cam]]\nname = \"a\"\nchannel = \"c\"\nactive_edge = \"falling\"\nedges_deg = [10, 370]\n"),
       "The cams can't settle it: position known within 360° only");
}

TEST(CheckWords, say_by_which_edge_tooth_1_of_an_even_wheel_is_found) {
  // Offset 130: tooth 1 at 720 - 130 = 590, and the cam edge at 575 is the last before it. 12 teeth, two turns: 24.
  const Engine engine = ready_engine("orchard-four");
  says(engine, "it is the one that passes 15° after the falling edge of \"cam\" at 575°");
  says(engine, "This one edge tells which of the 24 teeth of the cycle is which. Nothing beside it contradicts");
  EXPECT_EQ(words_of(engine).find("tells the two turns apart"), std::string::npos);
}

TEST(CheckWords, say_which_edges_of_an_uneven_cam_tell_the_tooth) {
  // Teeth every 90. 110 and 290 are 180 apart, two teeth: alone they are mistaken for each other. 515 is 45 from both.
  says(ready_engine("tarn-four"),
       "Seen alone, the edge at 515° tells which of the 8 teeth of the cycle is which; at 110 and 290° it could be");
  // 10, 100, 280: the steps 90, 180, 450 come once, and each edge alone has a partner some teeth away.
  says(engine_of(twin + edge_and_offset +
                 "teeth = 4\nmissing = 0\n[[cam]]\nname = \"a\"\nchannel = \"c\"\nactive_edge = \"falling\"\n"
                 "edges_deg = [10, 100, 280]\n"),
       "No edge alone tells which of the 8 teeth of the cycle is which, the whole pattern does.");
}

TEST(CheckWords, tell_an_index_from_a_cam) {
  // 132 teeth: 264 in two turns. The pin at 158.6 and 518.6, tooth 1 at 720 - 200 = 520.
  const Engine engine = ready_engine("winch-six");
  says(engine, "It turns with the crank: it tells where in a turn, not which of the two turns.");
  says(engine, "This one edge tells the two turns apart.");
  says(engine, "it is the one that passes 1.4° after the falling edge of \"index\" at 518.6°");
}

TEST(CheckWords, say_what_a_wheel_on_the_cam_can_and_can_not_tell) {
  const Engine engine = ready_engine("copper-six");
  says(engine, "It can't show which turn is compression: that rests on the wheel, which turns with the cam.");
  says(engine, "from tooth 1, in crank degrees. Steps from tooth to tooth are 30° to 120°.");
  says(engine, "The wheel alone tells every place of the cycle from every other. Cycle-lock can be reached.");
  says(engine, "Whether the cam stands right to the crank");
}

TEST(CheckWords, tell_the_intervals_of_odd_firing) {
  // 0 to 416, and 720 - 416 = 304 on to the next cycle.
  says(ready_engine("cinder-twin"), "Odd firing, 416 and 304° apart; top dead centres in firing order");
}

TEST(CheckWords, say_that_a_two_stroke_may_run_backwards_and_that_one_tooth_has_no_pitch) {
  says(ready_engine("skiff-twin"), "Which way it turns: a two-stroke can start and run backwards");
  EXPECT_EQ(words_of(ready_engine("demo-four")).find("backwards"), std::string::npos);
  const Engine one = engine_of("[engine]\ncylinders = 1\n" + edge_and_offset + "teeth = 1\nmissing = 0\n");
  says(one, "It passes once a turn.");
  says(one, "the tooth comes every 300000, 60000 and 10000 µs");
}

TEST(CheckWords, tell_what_a_tooth_of_the_cam_gear_is_in_crank_degrees) {
  // 720/40 = 18; CHECKS.md has the same. 720/44 = 16.3636...
  says(ready_engine("quarry-three"), "720/40 = 18° of crank");
  says(ready_engine("demo-four"), "720/44 = 16.36° of crank. The phaser's travel is longer than that");
}

TEST(CheckWords, warn_of_windows_that_run_into_each_other) {
  const std::string cam = "[[cam]]\nname = \"a\"\nchannel = \"c\"\nactive_edge = \"falling\"\nedges_deg = [100, 130]\n";
  const std::string wheel = twin + edge_and_offset + "teeth = 36\nmissing = 1\n";
  says(engine_of(wheel + cam + "phaser_range_deg = [-40, 0]\n"), "the window of the edge at 100° meets the next one's");
  EXPECT_EQ(words_of(engine_of(wheel + cam)).find("meets"), std::string::npos);
}

TEST(CheckWords, tell_intervals_and_rates_at_three_speeds) {
  // CHECKS.md: 60 teeth at 6,000 rpm: 166.67 us. 58 teeth and half of 4 cam edges and 1 pulse: 60.5 a turn.
  const Engine engine = ready_engine("demo-four");
  says(engine, "a pitch takes 5000, 1000 and 166.67 µs");
  says(engine, "202, 1008 and 6050 times a second");
  // 11,520 bytes/s at 3 bytes an edge: 3,840 edges/s; 3840 * 60 / 60.5 = 3808.3 rpm.
  says(engine, "carries 3840 edges a second: enough up to 3808 rpm");
}

// By hand: 60-2 has 58 teeth a turn. 115,200 baud are 11,520 bytes/s; at 3 bytes an edge 3,840 edges/s, so
// 3840 * 60 / 58 = 3972.4 rpm for the crank alone with one edge a tooth (DESIGN: "about 3,900"), half with both.
TEST(LineLoad, of_the_crank_alone_is_its_teeth) {
  Engine engine = ready_engine("demo-four");
  engine.cams.clear();
  engine.reference.reset();
  EXPECT_EQ(edges_a_turn(engine, SentEdges::used), 58);
  EXPECT_EQ(line_limit_rpm(115'200, 3 * edges_a_turn(engine, SentEdges::used)), 3972);
  EXPECT_EQ(line_limit_rpm(115'200, 3 * edges_a_turn(engine, SentEdges::both)), 1986);
  // "$E,65535,crank,f,4294967295*hh" CR LF are 32 bytes: 11520 * 60 / (58 * 32) = 372.4.
  EXPECT_EQ(line_limit_rpm(115'200, text_bytes_a_turn(engine, {}, SentEdges::used)), 372);
  EXPECT_EQ(line_limit_rpm(1'000'000, 3 * edges_a_turn(engine, SentEdges::used)), 34482);
}

// demo-four: 58 teeth a turn, 4 cam edges and 1 pulse a cycle: 60.5 edges a turn, 121 with both of each.
TEST(LineLoad, counts_cams_and_reference_and_the_names_that_the_device_uses) {
  Engine engine = ready_engine("demo-four");
  EXPECT_EQ(edges_a_turn(engine, SentEdges::used), 60.5);
  EXPECT_EQ(edges_a_turn(engine, SentEdges::both), 121);
  const SourceSpec source = {"serial", "/dev/x", {{"crank", "D0"}, {"cam1", "D1"}, {"ref", "D2"}}, 250'000, false};
  EXPECT_EQ(text_bytes_a_turn(engine, source, SentEdges::used), 60.5 * 29);
  // 58 * 32 + 2 * 31 + 0.5 * 30
  EXPECT_EQ(text_bytes_a_turn(engine, {}, SentEdges::used), 1933);
  engine.cams.front().edges.front().edge = ActiveEdge::rising;  // a cam whose edges of both kinds are listed
  EXPECT_EQ(edges_a_turn(engine, SentEdges::both), 119);
  engine.sources = {source};
  // 25,000 bytes/s; 25000 * 60 / (3 * 60.5) = 8264.5
  says(engine,
       "A serial line of 250000 baud at 3 bytes an edge (binary form) carries 8333 edges a second: enough up to "
       "8264 rpm, if the device sends these edges only, one a tooth; 4201 rpm if it sends both edges of each.");
}

TEST(CheckWords, say_that_a_can_interface_is_to_be_listen_only) {
  Engine engine = ready_engine("demo-four");
  engine.sources = {{"socketcan", "can0", {}}};
  says(engine, "driver \"socketcan\" at can0, which is to be listen-only (ip link set can0 up type can bitrate");
}

TEST(CheckWords, say_what_no_arrival_shows_of_a_source) {
  Engine engine = ready_engine("demo-four");
  engine.sources = {{"serial", "/dev/x", {}, 115'200, false, {0.6, 0.4}}};
  says(engine, "What it sends takes 0.6 ms at least to arrive, give or take 0.4 ms");
}

TEST(CheckWords, keep_the_cautions_in_place) {
  const Engine engine = ready_engine("demo-four");
  says(engine, "fuel off, always");
  says(engine, "two speeds unloaded, before load");
  says(engine, "don't restart or crank, turn by hand");
  says(engine, "never the primary of a coil");
  says(engine, "clean at the controller: they are judged at our tap only");
}

TEST(CheckWords, call_a_wasted_spark_reference_what_it_is) {
  says(ready_engine("quarry-three"), "judged modulo 360°, compression stroke not verified");
}

TEST(CheckDrawing, shows_a_four_tooth_wheel_as_worked_out_by_hand) {
  // 72 columns a turn, 5 degrees each. Tooth 1 at 720 - 60 = 660, so teeth at 30, 120, 210, 300, 390, ...
  const Engine engine = engine_of(twin + edge_and_offset + "teeth = 4\nmissing = 0\n");
  EXPECT_EQ(draw_cycle(engine, {90, false}),
            "       0     30    60    90    120   150   180   210   240   270   300   330   360\n"
            "       '     '     '     '     '     '     '     '     '     '     '     '\n"
            "TDC    1\n"
            "crank        |                 |                 |                 1\n"
            "\n"
            "       360   390   420   450   480   510   540   570   600   630   660   690   720\n"
            "       '     '     '     '     '     '     '     '     '     '     '     '\n"
            "TDC    2\n"
            "crank        |                 |                 |                 1\n"
            "\n"
            "       1 first tooth   | tooth\n");
}

TEST(CheckDrawing, gives_each_place_of_a_sixty_tooth_wheel_a_column_of_its_own) {
  const std::vector<std::string> rows = rows_of(ready_engine("demo-four"), "crank", {80, false});
  ASSERT_EQ(rows.size(), 2U);
  for (const std::string& row : rows) {
    EXPECT_EQ(row.size(), 61U) << row;  // the name "intake" makes the label column one wider
    EXPECT_EQ(std::count(row.begin(), row.end(), '|'), 57);
    EXPECT_EQ(row.substr(1 + 246 / 6 - 2, 3), "..1") << row;
  }
}

TEST(CheckDrawing, puts_whole_pitches_into_a_column_when_teeth_are_denser_than_columns) {
  const Engine engine = engine_of(twin + edge_and_offset + "teeth = 132\nmissing = 0\n");
  const std::vector<std::string> rows = rows_of(engine, "crank", {80, false});
  ASSERT_EQ(rows.size(), 2U);
  // 66 columns of two teeth; no column is empty.
  EXPECT_EQ(rows[0].size(), 66U);
  EXPECT_EQ(std::count(rows[0].begin(), rows[0].end(), '#'), 65);
  EXPECT_EQ(std::count(rows[0].begin(), rows[0].end(), '1'), 1);
}

TEST(CheckDrawing, shows_a_gap_that_is_narrower_than_a_column) {
  const Engine engine = engine_of(twin + edge_and_offset + "teeth = 400\ngaps = [[200, 3]]\n");
  for (const std::string& row : rows_of(engine, "crank", {80, false})) {
    EXPECT_EQ(std::count(row.begin(), row.end(), '.'), 1) << row;
  }
}

TEST(CheckDrawing, shows_phaser_travel_and_tolerance_around_each_edge_also_across_the_end_of_the_cycle) {
  const Engine engine = engine_of(twin + edge_and_offset +
                                  "teeth = 36\nmissing = 1\n[[cam]]\nname = \"a\"\nchannel = \"c\"\n"
                                  "active_edge = \"rising\"\nedges_deg = [10]\nphaser_range_deg = [-30, 0]\n"
                                  "tolerance_deg = 10\n");
  // 5 degrees a column. Travel 10-30 = -20 to 10: columns -4 to 1; edge in column 2; tolerance to 20 and from -30.
  const std::vector<std::string> rows = rows_of(engine, "a", {90, false});
  ASSERT_EQ(rows.size(), 2U);
  EXPECT_EQ(rows[0], "==^-");
  EXPECT_EQ(rows[1], std::string(66, ' ') + "--====");
}

TEST(CheckDrawing, keeps_cylinders_apart_that_reach_tdc_together) {
  const Engine engine = engine_of("[engine]\ncylinders = 3\nfiring_angles_deg = [0, 0, 359]\n" + edge_and_offset +
                                  "teeth = 36\nmissing = 1\n");
  const std::vector<std::string> lines = lines_of(draw_cycle(engine, {90, false}));
  EXPECT_EQ(lines.at(2), "TDC    1" + std::string(70, ' ') + "3");
  EXPECT_EQ(lines.at(3), "       2");
}

TEST(CheckDrawing, puts_the_reference_pulse_where_it_is_expected) {
  // 36-1: 72 columns of 5 degrees. 12 before TDC1, once a turn: 348 and 708, column 69 of each turn.
  const std::vector<std::string> rows = rows_of(ready_engine("quarry-three"), "ref", {100, false});
  ASSERT_EQ(rows.size(), 2U);
  // "half-moon" makes the label column four wider than rows_of cuts off.
  EXPECT_EQ(rows[0], std::string(4 + 69, ' ') + "*");
  EXPECT_EQ(rows[1], rows[0]);
}

TEST(CheckDrawing, has_one_block_of_rows_for_a_two_stroke) {
  const Engine engine =
      engine_of("[engine]\ncylinders = 1\ncycle_deg = 360\n" + edge_and_offset + "teeth = 24\nmissing = 1\n");
  EXPECT_EQ(rows_of(engine, "crank", plain).size(), 1U);
}

TEST(CheckCommand, prints_one_line_for_a_bad_file_and_fails) {
  std::ostringstream out;
  std::ostringstream err;
  EXPECT_EQ(check_command("/nonexistent.toml", {}, out, err), 1);
  EXPECT_EQ(out.str(), "");
  EXPECT_EQ(err.str(), "/nonexistent.toml: expected a readable engine file, found: No such file or directory\n");
}

TEST(CheckCommand, explains_a_sound_file_and_succeeds) {
  std::ostringstream out;
  std::ostringstream err;
  EXPECT_EQ(check_command(CRANKWITNESS_SOURCE_DIR "/config/engines/demo-four.toml", {}, out, err), 0);
  EXPECT_NE(out.str().find("demo four"), std::string::npos);
  EXPECT_EQ(err.str(), "");
}

TEST(TerminalLook, keeps_the_width_within_bounds_and_follows_the_locale) {
  ::setenv("COLUMNS", "40", 1);
  ::setenv("LC_ALL", "C", 1);
  EXPECT_EQ(terminal_look().width, check_width_min);
  EXPECT_FALSE(terminal_look().utf8);
  ::setenv("COLUMNS", "300", 1);
  ::setenv("LC_ALL", "en_GB.UTF-8", 1);
  EXPECT_EQ(terminal_look().width, check_width_max);
  EXPECT_TRUE(terminal_look().utf8);
  ::unsetenv("COLUMNS");
  ::unsetenv("LC_ALL");
}

}  // namespace
}  // namespace cw
