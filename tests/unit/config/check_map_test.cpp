// `check` of signal maps and DBC files: what it says and draws, worked out by hand here.
#include "cli/check_map.hpp"

#include <gtest/gtest.h>

#include <sstream>
#include <string>

#include "cli/check_page.hpp"
#include "cli/field_drawing.hpp"
#include "tests/unit/text_lines.hpp"

namespace cw {
namespace {

const std::string can_folder = CRANKWITNESS_SOURCE_DIR "/config/can/";

struct Said {
  int code = 0;
  std::string out;
  std::string err;
};

Said check(const std::string& path, const std::vector<std::string>& frames = {}) {
  std::ostringstream out;
  std::ostringstream err;
  const int code = check_command(path, frames, out, err);
  return {code, out.str(), err.str()};
}

// With line breaks and indents taken out, so that a sentence is found however it is wrapped.
std::string flat(const std::string& text) {
  std::string out;
  for (const char c : text) {
    const char own = c == '\n' ? ' ' : c;
    if (own != ' ' || out.empty() || out.back() != ' ') {
      out += own;
    }
  }
  return out;
}

void expect_says(const std::string& text, const std::string& sentence) {
  EXPECT_NE(flat(text).find(sentence), std::string::npos) << sentence << "\nnot in: " << text;
}

TEST(FieldDrawing, shows_where_bits_lie_and_which_is_the_most_significant) {
  EXPECT_EQ(draw_fields({{"A", {4, 8, ByteOrder::little}}, {"B", {0, 1, ByteOrder::little}}}, 0),
            "bit     7  6  5  4  3  2  1  0\n"
            "byte 0  A  A  A  A  .  .  . [B]\n"
            "byte 1  .  .  .  . [A] A  A  A\n");
  EXPECT_EQ(draw_fields({{"A", {3, 8, ByteOrder::big}}}, 2),
            "  bit     7  6  5  4  3  2  1  0\n"
            "  byte 0  .  .  .  . [A] A  A  A\n"
            "  byte 1  A  A  A  A  .  .  .  .\n");
}

TEST(FieldDrawing, shows_bits_of_several_fields_as_a_star) {
  EXPECT_EQ(draw_fields({{"A", {0, 4, ByteOrder::little}}, {"B", {3, 2, ByteOrder::little}}}, 0),
            "bit     7  6  5  4  3  2  1  0\n"
            "byte 0  .  .  . [B] *  A  A  A\n");
}

TEST(FieldDrawing, letters_go_on_with_two) {
  EXPECT_EQ(field_letter(0), "A");
  EXPECT_EQ(field_letter(25), "Z");
  EXPECT_EQ(field_letter(26), "AA");
  EXPECT_EQ(field_letter(255), "IV");
}

TEST(CheckMap, explains_identifiers_bits_numbers_units_and_ranges) {
  const Said said = check(can_folder + "slate.toml");
  EXPECT_EQ(said.code, 0);
  expect_says(said.out,
              "signal map of slate ECU (invented). No contradiction found; it means: 13 signals in 3 messages.");
  expect_says(said.out, "Message engine: identifier 2B0 hex, 11-bit");
  expect_says(
      said.out,
      "A engine_speed: 16 bits up from byte 0 bit 0, low byte first; unsigned. value = raw * 0.25 rpm. Believed "
      "from 0 to 12000 rpm, else not known.");
  expect_says(said.out,
              "C sync_state: 3 bits up from byte 3 bit 4; unsigned. Raw 0 is no-signal, 1 is searching, 2 is "
              "revolution-locked, 3 is cycle-locked, 4 is lost, 7 is unknown; any other is not known.");
  expect_says(said.out, "value = raw * -0.1 deg (given in cam_deg). Believed from -70 to 10 deg");
  expect_says(said.out, "byte 3 [D][C] C C [B] B B B");
  EXPECT_EQ(said.out.find("Not in this map"), std::string::npos);
  expect_says(check(can_folder + "marl.toml").out, "Not in this map: spark_cut.");
}

TEST(CheckMap, explains_multiplexers_groups_masks_and_names_of_a_dbc) {
  const std::string marl = check(can_folder + "marl.toml").out;
  expect_says(marl, "Message MarlSlow: identifier 015A8701 hex, 29-bit");
  expect_says(marl, "Frames whose multiplexer # is 1 hex: bit 7 6 5 4 3 2 1 0 byte 0 [#] # # # . . . .");
  expect_says(
      marl,
      "C battery_voltage (Supply of the DBC): 16 bits down from byte 1 bit 7, high byte first; unsigned. value = "
      "raw * 0.001 V. Believed from 0 to 36 V, else not known. Only in frames whose multiplexer # is 1 hex.");
  expect_says(
      check(can_folder + "j1939-eec1.toml").out,
      "Message EEC1: identifier PGN 61444 (F004 hex) of SAE J1939, from any source and with any priority; 29-bit "
      "identifiers such as 0CF00400");
  const std::string obd = check(can_folder + "obd.toml").out;
  expect_says(obd, "identifier 7E8 to 7EF hex, 11-bit");
  expect_says(obd, "multiplexer # is 4410C, 5410C, 6410C or 7410C hex");
}

// Published values: SAE J1939 and OBD frames as in tests/unit/signals/standards_test.cpp.
TEST(CheckMap, says_what_frames_mean) {
  expect_says(check(can_folder + "j1939-eec1.toml", {"0CF00400#207D87481400F087"}).out,
              "Frame 0CF00400, 8 bytes Message EEC1 - engine_speed: 649 rpm (raw 5192)");
  const Said obd = check(can_folder + "obd.toml", {"7E8#04410C1AF8", "18DAF110#03410EFF"});
  expect_says(obd.out, "Frame 7E8, 5 bytes Message answer, 11-bit - engine_speed: 1726 rpm (raw 6904)");
  expect_says(obd.out, "- spark_advance: 63.5 deg (raw 255)");
  expect_says(obd.out, "- spark_advance: not in this frame: its multiplexer has another value");
  const std::string slate =
      check(can_folder + "slate.toml", {"2B0#E02EC9BF3207E808", "2B0#E02EC9", "2B2#FF", "7FF#"}).out;
  expect_says(slate, "- sync_state: cycle-locked (raw 3)");
  expect_says(slate, "- spark_advance: -5.5 deg (raw -55)");
  expect_says(slate, "- spark_advance: not in this frame: it is too short");
  expect_says(slate, "- coolant_temperature: not known: not available (raw 255, unknown)");
  expect_says(slate, "Frame 7FF, 0 bytes No message of this map has this identifier.");
  EXPECT_EQ(slate.find("[A]"), std::string::npos);
}

TEST(CheckMap, remote_and_error_frames_carry_no_signals) {
  expect_says(check(can_folder + "slate.toml", {"2B0#R8"}).out, "Frame 2B0: a remote request; it carries no signals.");
  expect_says(check(can_folder + "slate.toml", {"20000004#0001000000000000"}).out, "it carries no signals.");
}

TEST(CheckMap, a_bad_frame_gets_one_line) {
  const Said said = check(can_folder + "slate.toml", {"2B0#0"});
  EXPECT_EQ(said.code, 1);
  EXPECT_EQ(said.err, "frame \"2B0#0\": expected a byte of two hex digits at character 6\n");
  EXPECT_EQ(said.out, "");
}

TEST(CheckMap, an_engine_file_without_maps_has_nothing_to_say_about_a_frame) {
  const std::string engine = CRANKWITNESS_SOURCE_DIR "/config/engines/demo-four.toml";
  const Said said = check(engine, {"2B0#00"});
  EXPECT_EQ(said.code, 1);
  EXPECT_EQ(said.err, engine + ": can: expected a signal map ([[can]] map = \"FILE\") for --frame, found none\n");
}

TEST(CheckMap, an_engine_file_is_explained_with_the_maps_that_it_names) {
  const std::string path = CRANKWITNESS_SOURCE_DIR "/tests/data/dbc/engine-with-map.toml";
  const Said said = check(path);
  EXPECT_EQ(said.code, 0) << said.err;
  expect_says(said.out,
              "ECU on CAN what it says by the signal map ../../../config/can/slate.toml (below), in frames of "
              "interface \"can0\".");
  expect_says(said.out, "signal map of slate ECU (invented)");
  expect_says(check(path, {"2B0#E02EC9BF3207E808"}).out, "- engine_speed: 3000 rpm (raw 12000)");
}

TEST(CheckMap, a_bad_map_gets_one_line) {
  EXPECT_EQ(check("/nonexistent.dbc").err,
            "/nonexistent.dbc: expected a readable DBC file, found: No such file or directory\n");
  EXPECT_EQ(check(can_folder).err, can_folder + ": expected an engine file, found a folder\n");
}

TEST(CheckDbc, lists_what_a_map_can_take_and_says_what_frames_mean) {
  const std::string list = check(can_folder + "marl.dbc").out;
  expect_says(list, "Message MarlFast: identifier 152 hex, 8 bytes (line 22)");
  expect_says(list,
              "- TriggerState: 2 bits down from byte 4 bit 7; unsigned. value = raw, 0 to 3. 3 is \"Full\", 2 is "
              "\"Half\", 1 is \"Hunting\", 0 is \"Stopped\".");
  expect_says(list, "Only in frames whose multiplexer (4 bits down from byte 0 bit 7) is 2 hex.");
  const std::string frame = check(can_folder + "marl.dbc", {"152#1F40F834C5708000"}).out;
  expect_says(frame, "- EngineSpeed: 4000 1/min (raw 1F40 hex)");
  expect_says(frame, "- SparkAngle: -12.5 deg (raw F83 hex)");
}

TEST(CheckMap, every_line_keeps_within_the_width) {
  for (const char* name : {"slate.toml", "marl.toml", "obd.toml", "j1939-eec1.toml", "marl.dbc", "slate.dbc"}) {
    for (const std::string& line : test::lines_of(check(can_folder + name).out)) {
      EXPECT_LE(columns_of(line), static_cast<std::size_t>(check_width_max)) << line;
      EXPECT_TRUE(line.empty() || line.back() != ' ') << line;
    }
  }
}

}  // namespace
}  // namespace cw
