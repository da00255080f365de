// Signal maps: what is read, and the one line that each bad one gets.
#include "config/signal_map_file.hpp"

#include <gtest/gtest.h>

#include <string>
#include <utility>
#include <vector>

#include "config/engine_file.hpp"

namespace cw {
namespace {

const std::string dbc_text =
    "BO_ 100 Fast: 8 X\n"
    " SG_ Speed : 0|16@1+ (0.5,0) [0|8000] \"rpm\" X\n"
    " SG_ Twice : 16|8@1+ (1,0) [0|0] \"rpm\" X\n"
    " SG_ NoUnit : 24|8@1+ (1,0) [0|0] \"\" X\n"
    " SG_ OddUnit : 32|8@1+ (1,0) [0|0] \"furlong\" X\n"
    " SG_ Beyond : 56|16@1+ (1,0) [0|0] \"V\" X\n"
    " SG_ Flat : 40|8@1+ (0,1) [0|0] \"V\" X\n"
    " SG_ Wide : 0|100@1+ (1,0) [0|0] \"V\" X\n"
    " SG_ Lonely m0 : 40|8@1+ (1,0) [0|0] \"V\" X\n"
    " SG_ State : 48|8@1+ (1,0) [0|0] \"\" X\n"
    "BO_ 101 Slow: 8 X\n"
    " SG_ Twice : 0|8@1+ (1,0) [0|0] \"rpm\" X\n"
    " SG_ Heat : 8|8@1- (1,0) [-40|120] \"degF\" X\n"
    "VAL_ 100 State 0 \"Off\" 1 \"On\" ;\n";

std::variant<SignalMapFile, ConfigError> parsed(const std::string& text) {
  return parse_signal_map(text, "m.toml", [](const std::string& path) -> std::variant<std::string, ConfigError> {
    if (path == "some.dbc") {
      return dbc_text;
    }
    if (path == "bad.dbc") {
      return std::string("BO_ x\n");
    }
    return ConfigError{path + ": expected a readable DBC file, found: No such file or directory"};
  });
}

SignalMap map_of(const std::string& text) {
  const auto read = parsed(text);
  const auto* error = std::get_if<ConfigError>(&read);
  EXPECT_EQ(error, nullptr) << error->message;
  return error == nullptr ? std::get<SignalMapFile>(read).map : SignalMap{};
}

std::string error_of(const std::string& text) {
  const auto read = parsed(text);
  const auto* error = std::get_if<ConfigError>(&read);
  return error == nullptr ? "sound" : error->message;
}

const std::string message = "[[message]]\nid = 0x100\nbyte_order = \"little\"\n";
const std::string speed = "[[message.signal]]\nname = \"engine_speed\"\nstart_bit = 0\nlength = 16\n";
const std::string binding = "dbc = \"some.dbc\"\n[[signal]]\nname = \"engine_speed\"\n";

TEST(SignalMapFile, a_message_by_hand_is_read) {
  const SignalMap map = map_of("name = \"m\"\n" + message + speed + "scale = 0.25\nvalid = [0, 9000]\n");
  ASSERT_EQ(map.messages.size(), 1U);
  EXPECT_EQ(map.messages[0].ids, (CanIdMatch{0x100, 0x7ff, false}));
  ASSERT_EQ(map.messages[0].signals.size(), 1U);
  EXPECT_EQ(map.messages[0].signals[0].coding.scale, 0.25);
  EXPECT_EQ(map.messages[0].signals[0].valid->max, 9000);
}

TEST(SignalMapFile, identifiers_above_7ff_have_29_bits_and_lower_ones_when_told) {
  EXPECT_EQ(map_of("[[message]]\nid = 0x800\nbyte_order = \"big\"\n" + speed).messages[0].ids,
            (CanIdMatch{0x800, 0x1fffffff, true}));
  EXPECT_EQ(map_of("[[message]]\nid = 5\nextended = true\nbyte_order = \"big\"\n" + speed).messages[0].ids,
            (CanIdMatch{5, 0x1fffffff, true}));
  EXPECT_EQ(map_of("[[message]]\nid = 0x7E8\nmask = 0x7F8\nbyte_order = \"big\"\n" + speed).messages[0].ids,
            (CanIdMatch{0x7e8, 0x7f8, false}));
}

TEST(SignalMapFile, the_byte_order_is_that_of_the_signal_else_the_message_else_the_map) {
  const auto order = [](const std::string& text) { return map_of(text).messages[0].signals[0].coding.field.order; };
  const std::string plain = "[[message]]\nid = 1\n" + speed;
  EXPECT_EQ(order("byte_order = \"big\"\n" + plain), ByteOrder::big);
  EXPECT_EQ(order("byte_order = \"big\"\n" + message + speed), ByteOrder::little);
  EXPECT_EQ(order(message + speed + "byte_order = \"big\"\n"), ByteOrder::big);
  EXPECT_EQ(order("[[message]]\npgn = 61444\n" + speed), ByteOrder::little);
}

TEST(SignalMapFile, units_are_converted_with_their_valid_range) {
  const SignalMap map = map_of(message + "[[message.signal]]\nname = \"oil_temperature\"\nstart_bit = 0\nlength = 8\n" +
                               "unit = \"degF\"\nscale = 2\noffset = -40\nvalid = [32, 212]\n");
  const SignalDefinition& signal = map.messages[0].signals[0];
  EXPECT_NEAR(physical_value(signal.coding, 126), 100, 1e-9);  // 126 * 2 - 40 = 212 degF
  EXPECT_NEAR(signal.valid->min, 0, 1e-9);
  EXPECT_NEAR(signal.valid->max, 100, 1e-9);
}

TEST(SignalMapFile, a_signal_of_the_dbc_keeps_its_coding_unit_and_range) {
  const SignalMap map =
      map_of("dbc = \"some.dbc\"\n[[signal]]\nname = \"coolant_temperature\"\ndbc_signal = \"Heat\"\n");
  ASSERT_EQ(map.messages.size(), 1U);
  EXPECT_EQ(map.messages[0].name, "Slow");
  EXPECT_EQ(map.messages[0].ids, (CanIdMatch{101, 0x7ff, false}));
  const SignalDefinition& signal = map.messages[0].signals[0];
  EXPECT_EQ(signal.source_name, "Heat");
  EXPECT_EQ(signal.coding.form, RawForm::signed_whole);
  EXPECT_NEAR(physical_value(signal.coding, 0xd8), -40, 1e-9);  // -40 degF
  EXPECT_NEAR(signal.valid->min, -40, 1e-9);
}

TEST(SignalMapFile, scale_and_offset_come_on_top_of_the_dbc) {
  const SignalMap map = map_of(binding + "dbc_signal = \"Speed\"\nscale = -2\noffset = 100\n");
  const SignalDefinition& signal = map.messages[0].signals[0];
  EXPECT_EQ(physical_value(signal.coding, 10), 90);  // 10 * 0.5 * -2 + 100
  EXPECT_EQ(signal.valid->min, -15'900);
  EXPECT_EQ(signal.valid->max, 100);
}

TEST(SignalMapFile, signals_of_one_message_of_the_dbc_come_together) {
  const SignalMap map = map_of(binding + "dbc_signal = \"Speed\"\n[[signal]]\nname = \"sync_state\"\n" +
                               "dbc_signal = \"State\"\nvalues = { On = \"cycle-locked\", 0 = \"searching\" }\n");
  ASSERT_EQ(map.messages.size(), 1U);
  ASSERT_EQ(map.messages[0].signals.size(), 2U);
  EXPECT_EQ(map.messages[0].signals[1].meanings[1].state, LockState::cycle_locked);
}

TEST(SignalMapFile, a_message_of_j1939_in_the_dbc_is_taken_from_any_source) {
  const auto loaded = load_signal_map(CRANKWITNESS_SOURCE_DIR "/tests/data/dbc/groups.toml");
  ASSERT_TRUE(std::holds_alternative<SignalMapFile>(loaded)) << std::get<ConfigError>(loaded).message;
  const MessageDefinition& eec1 = std::get<SignalMapFile>(loaded).map.messages.front();
  EXPECT_EQ(eec1.ids, j1939_match(61444, std::nullopt));
  EXPECT_TRUE(eec1.signals.front().j1939);
}

TEST(SignalMapFile, one_signal_may_come_in_several_messages_and_with_several_multiplexer_values) {
  const std::string text = "[[message]]\nid = 1\nbyte_order = \"big\"\nmultiplexer = { start_bit = 7, length = 8 }\n" +
                           speed + "when = 1\n" + speed + "when = [2, 3]\n" + message + speed;
  EXPECT_EQ(error_of(text), "sound");
}

TEST(SignalMapFile, every_ready_map_is_sound_and_keeps_its_texts) {
  for (const char* name : {"slate", "marl", "obd", "j1939-eec1"}) {
    const auto loaded = load_signal_map(CRANKWITNESS_SOURCE_DIR "/config/can/" + std::string(name) + ".toml");
    ASSERT_TRUE(std::holds_alternative<SignalMapFile>(loaded)) << std::get<ConfigError>(loaded).message;
    const auto& file = std::get<SignalMapFile>(loaded);
    // From the texts alone the same map can be made again, as a replay of a session has to.
    const auto again = parse_signal_map(file.source.text, file.source.name, [&](const std::string& path) {
      EXPECT_EQ(path, file.dbc->name);
      return std::variant<std::string, ConfigError>(file.dbc->text);
    });
    EXPECT_TRUE(std::holds_alternative<SignalMapFile>(again));
  }
}

struct Bad {
  std::string text;
  std::string error;  // behind "m.toml:"
};

void expect_errors(const std::vector<Bad>& files) {
  for (const Bad& file : files) {
    EXPECT_EQ(error_of(file.text), "m.toml:" + file.error) << file.text;
  }
}

TEST(BadSignalMap, files_get_one_line) {
  expect_errors({
      {"", "1: message: expected sections [[message]], or dbc and sections [[signal]], found nothing"},
      {"name = \n",
       "1: syntax: expected TOML, found an error at column 8: Error while parsing key-value pair: "
       "expected value, saw '\\n'"},
      {"nmae = \"x\"\n", "1: nmae: expected a known key (nearest: name), found an unknown one"},
      {"name = 4\n" + message + speed, "1: name: expected text of 1 to 100 bytes, found 4"},
      {"byte_order = \"middle\"\n" + message + speed,
       "1: byte_order: expected \"little\" or \"big\", found \"middle\""},
      {"message = 3\n", "1: message: expected one or more sections [[message]], found 3"},
      {"[message]\nid = 3\n", "1: message: expected one or more sections [[message]], found a table"},
      {"[[signal]]\nname = \"engine_speed\"\n",
       "1: signal[1].dbc_signal: expected dbc = \"FILE\" in the map, which the section [[signal]] speaks of, found "
       "none"},
  });
}

TEST(BadSignalMap, messages_get_one_line) {
  const std::string little = "byte_order = \"little\"\n";
  expect_errors({
      {"[[message]]\n" + little + speed, "1: message[1].id: expected id, or pgn of SAE J1939, found nothing"},
      {"[[message]]\nid = 0x20000000\n" + little + speed,
       "2: message[1].id: expected a whole number from 0 to 536870911, found 536870912"},
      {"[[message]]\nid = 0x800\nextended = false\n" + little + speed,
       "2: message[1].id: expected an 11-bit identifier, at most 0x7FF (extended = false), found 2048"},
      {"[[message]]\nid = 0x100\nmask = 0x0FF\n" + little + speed,
       "3: message[1].mask: expected a mask that holds all bits of the id, found 255"},
      {"[[message]]\nid = 1\npgn = 61444\n" + speed, "2: message[1].id: expected either pgn or id, found both"},
      {"[[message]]\npgn = 262144\n" + speed,
       "2: message[1].pgn: expected a whole number from 0 to 262143, found 262144"},
      {"[[message]]\npgn = 1\n" + speed,
       "2: message[1].pgn: expected a parameter group number that ends in 00 hex (its format is below 240: a "
       "destination stands there), found 1"},
      {"[[message]]\nid = 1\nsource_address = 3\n" + little + speed,
       "3: message[1].source_address: expected a source address only beside pgn, found 3"},
      {"[[message]]\npgn = 61444\nsource_address = 300\n" + speed,
       "3: message[1].source_address: expected a whole number from 0 to 255, found 300"},
      {"[[message]]\nid = 1\n" + little,
       "1: message[1].signal: expected one or more sections [[message.signal]], found none"},
      {"[[message]]\nid = 1\nsignal = 3\n",
       "3: message[1].signal: expected one or more sections [[message.signal]], found 3"},
      {"[[message]]\nid = 1\nlength = 8\n" + speed,
       "3: message[1].length: expected a known key (nearest: name), found an unknown one"},
      {"[[message]]\nid = 1\nmultiplexer = 3\n" + little + speed,
       "3: message[1].multiplexer: expected a table { start_bit = ..., length = ... }, found 3"},
      {"[[message]]\nid = 1\nmultiplexer = { start_bit = 0, length = 32 }\n" + little + speed,
       "3: message[1].multiplexer.length: expected a whole number from 1 to 31, found 32"},
      {"[[message]]\nid = 1\nmultiplexer = { start_bit = 0, size = 2 }\n" + little + speed,
       "3: message[1].multiplexer.size: expected a known key (nearest: length), found an unknown one"},
  });
}

TEST(BadSignalMap, signals_get_one_line) {
  const std::string at = message + "[[message.signal]]\n";
  const std::string one = "[[message.signal]]\nname = \"engine_speed\"\n";
  expect_errors({
      {at + "start_bit = 0\nlength = 8\n",
       "4: message[1].signal[1].name: expected one of engine_speed, sync_state, sync_loss_count, spark_advance, "
       "spark_cut, fuel_cut, trigger_offset, cam_angle, cam_target, battery_voltage, coolant_temperature, "
       "oil_temperature, oil_pressure, found nothing"},
      {message + one + "length = 8\n",
       "4: message[1].signal[1].start_bit: expected the field's start_bit and length, found nothing"},
      {message + one + "start_bit = 512\nlength = 8\n",
       "6: message[1].signal[1].start_bit: expected a whole number from 0 to 511, found 512"},
      {message + one + "start_bit = 0\nlength = 65\n",
       "7: message[1].signal[1].length: expected a whole number from 1 to 64, found 65"},
      {message + one + "start_bit = 505\nlength = 8\n",
       "7: message[1].signal[1].length: expected bits that lie within 64 bytes, found 8"},
      {"[[message]]\nid = 1\n" + speed,
       "3: message[1].signal[1].byte_order: expected \"little\" or \"big\", here, in the message or in the map, found "
       "nothing"},
      {message + speed + "type = \"double\"\n",
       "8: message[1].signal[1].type: expected \"unsigned\", \"signed\" or \"float\", found \"double\""},
      {message + speed + "type = \"float\"\n",
       "7: message[1].signal[1].length: expected 32 or 64 bits of a float, "
       "found 16"},
      {message + speed + "scale = 0\n", "8: message[1].signal[1].scale: expected a number other than 0, found 0"},
      {message + speed + "scale = nan\n",
       "8: message[1].signal[1].scale: expected a number from -1e+12 to 1e+12, found nan"},
      {message + speed + "offset = \"x\"\n",
       "8: message[1].signal[1].offset: expected a number from -1e+12 to 1e+12, found \"x\""},
      {message + speed + "unit = \"bar\"\n",
       "8: message[1].signal[1].unit: expected rpm, 1/min, rad/s or Hz, found \"bar\""},
      {message + speed + "valid = [5, 1]\n",
       "8: message[1].signal[1].valid: expected [least, greatest], the first below the second, found [5, 1]"},
      {message + speed + "valid = 5\n", "8: message[1].signal[1].valid: expected an array of 2 numbers, found 5"},
      {message + speed + "cam = \"intake\"\n",
       "8: message[1].signal[1].cam: expected no cam for engine_speed, found \"intake\""},
      {at + "name = \"cam_angle\"\nstart_bit = 0\nlength = 16\n",
       "4: message[1].signal[1].cam: expected the cam that it is about, by its name in the engine file, found nothing"},
      {message + speed + "when = 3\n",
       "8: message[1].signal[1].when: expected a multiplexer in the message before its values, found none"},
      {"[[message]]\nid = 1\nbyte_order = \"big\"\nmultiplexer = { start_bit = 7, length = 4 }\n" + speed +
           "when = 16\n",
       "9: message[1].signal[1].when: expected a whole number from 0 to 15, found 16"},
      {"[[message]]\nid = 1\nbyte_order = \"big\"\nmultiplexer = { start_bit = 7, length = 4 }\n" + speed +
           "when = []\n",
       "9: message[1].signal[1].when: expected an array of 1 to 64 whole numbers, found an array of 0 values"},
      {message + speed + speed,
       "9: message[1].signal[2].name: expected each signal once in a message, found \"engine_speed\" a second time"},
      {message + speed + "colour = 3\n",
       "8: message[1].signal[1].colour: expected a known key (nearest: cam), found an unknown one"},
  });
}

TEST(BadSignalMap, tables_of_values_get_one_line) {
  const std::string state = message + "[[message.signal]]\nname = \"sync_state\"\nstart_bit = 0\nlength = 2\n";
  expect_errors({
      {state,
       "4: message[1].signal[1].values: expected which raw value stands for which state, for example { 0 = "
       "\"searching\", 1 = \"cycle-locked\" }, found nothing"},
      {state + "values = 3\n",
       "8: message[1].signal[1].values: expected a table { raw value = \"what it stands for\", "
       "... } of 1 to 256 values, found 3"},
      {state + "values = { 0 = \"synced\" }\n",
       "8: message[1].signal[1].values.0: expected \"no-signal\", \"searching\", \"revolution-locked\", "
       "\"cycle-locked\", \"lost\" or \"unknown\", found \"synced\""},
      {state + "values = { on = \"lost\" }\n",
       "8: message[1].signal[1].values.on: expected a raw value, a whole number, as key, found another"},
      {state + "values = { 1 = 2 }\n",
       "8: message[1].signal[1].values.1: expected what it stands for, text of 1 to 100 bytes, found 2"},
      {state + "values = { 1 = \"lost\", 01 = \"lost\" }\n",
       "8: message[1].signal[1].values.1: expected each raw value once, found 1 a second time"},
      {state + "scale = 2\nvalues = { 1 = \"lost\" }\n",
       "8: message[1].signal[1].scale: expected no scale for sync_state, which has values, found 2"},
      {state + "unit = \"rpm\"\nvalues = { 1 = \"lost\" }\n",
       "8: message[1].signal[1].unit: expected no unit for sync_state, found \"rpm\""},
  });
}

TEST(BadSignalMap, names_of_the_dbc_get_one_line) {
  const std::string state = "dbc = \"some.dbc\"\n[[signal]]\nname = \"sync_state\"\ndbc_signal = \"State\"\n";
  const std::string volts = "dbc = \"some.dbc\"\n[[signal]]\nname = \"battery_voltage\"\n";
  expect_errors({
      {binding, "2: signal[1].dbc_signal: expected the name of a signal of the DBC, found nothing"},
      {binding + "dbc_signal = \"Spede\"\n",
       "4: signal[1].dbc_signal: expected a signal of the DBC (nearest: Speed), found \"Spede\""},
      {binding + "dbc_signal = \"Twice\"\n",
       "4: signal[1].dbc_signal: expected dbc_message beside it, since several messages have it, found Fast (line 3), "
       "Slow (line 12)"},
      {binding + "dbc_signal = \"Speed\"\ndbc_message = \"Other\"\n",
       "5: signal[1].dbc_message: expected a message of the DBC, found \"Other\""},
      {binding + "dbc_signal = \"NoUnit\"\n",
       "2: signal[1].unit: expected rpm, 1/min, rad/s or Hz, found no unit in the DBC"},
      {binding + "dbc_signal = \"OddUnit\"\n",
       "2: signal[1].unit: expected rpm, 1/min, rad/s or Hz, found \"furlong\" in the DBC"},
      {volts + "dbc_signal = \"Beyond\"\n",
       "4: signal[1].dbc_signal: expected a signal whose bits lie within its message, and that within 64 bytes, found "
       "Beyond (line 6) reaching into byte 9 of 8"},
      {volts + "dbc_signal = \"Flat\"\n",
       "4: signal[1].dbc_signal: expected a signal with a factor other than 0, found Flat (line 7)"},
      {volts + "dbc_signal = \"Wide\"\n",
       "4: signal[1].dbc_signal: expected a signal of at most 64 bits, found Wide (line 8) of 100"},
      {volts + "dbc_signal = \"Lonely\"\n",
       "4: signal[1].dbc_signal: expected a signal that can be read, found Lonely (line 9): its message has no "
       "multiplexer (M)"},
      {state + "values = { Both = \"lost\" }\n",
       "5: signal[1].values.Both: expected a raw value, or one of the DBC's names, as key (\"Off\", \"On\"), found "
       "another"},
      {binding + "dbc_signal = \"Speed\"\nlength = 3\n",
       "5: signal[1].length: expected a known key (nearest: unit), found an unknown one"},
      {binding + "dbc_signal = \"Speed\"\n[[signal]]\nname = \"engine_speed\"\ndbc_signal = \"Twice\"\n"
                 "dbc_message = \"Fast\"\n",
       "6: signal[2].name: expected each signal once in a message, found \"engine_speed\" a second time"},
  });
}

TEST(BadSignalMap, with_too_many_signals_is_refused) {
  std::string text;
  for (int id = 1; id <= 129; ++id) {
    text += "[[message]]\nid = " + std::to_string(id) + "\nbyte_order = \"big\"\n" + speed;
  }
  EXPECT_EQ(error_of(text), "m.toml:1: message: expected at most 128 sections [[message]], found 129");
  text = message;
  for (int i = 0; i < 257; ++i) {
    text += speed;
  }
  EXPECT_EQ(error_of(text), "m.toml:4: message[1].signal: expected at most 256 sections [[message.signal]], found 257");
  text.clear();
  for (int id = 1; id <= 2; ++id) {
    text += "[[message]]\nid = " + std::to_string(id) + "\nbyte_order = \"big\"\nmultiplexer = { start_bit = 7, " +
            "length = 8 }\n";
    for (int i = 0; i < 129; ++i) {
      text += speed + "when = " + std::to_string(i) + "\n";
    }
  }
  EXPECT_EQ(error_of(text), "m.toml:1: message: expected at most 256 signals in 128 messages, found 258 in 2");
}

TEST(BadSignalMap, a_dbc_that_can_not_be_read_is_told_with_its_own_line) {
  EXPECT_EQ(error_of("dbc = \"bad.dbc\"\n"),
            "bad.dbc:1: BO_: expected the message's number, a whole number from 0 to 4294967295, found \"x\"");
  EXPECT_EQ(error_of("dbc = \"none.dbc\"\n"),
            "none.dbc: expected a readable DBC file, found: No such file or directory");
}

// --- maps of an engine file ---

Engine engine_with(const std::string& sections) {
  const auto read = parse_engine(
      "[engine]\ncylinders = 2\nfiring_order = [1, 2]\n[crank]\nactive_edge = \"falling\"\nteeth = 36\nmissing = 1\n"
      "trigger_offset_deg = 60\n[[cam]]\nname = \"intake\"\nchannel = \"cam1\"\nactive_edge = \"falling\"\n"
      "edges_deg = [100]\n" +
          sections,
      "e.toml");
  const auto* error = std::get_if<ConfigError>(&read);
  EXPECT_EQ(error, nullptr) << error->message;
  return error == nullptr ? std::get<Engine>(read) : Engine{};
}

std::string maps_error(const std::string& sections) {
  const auto maps = load_signal_maps(engine_with(sections), CRANKWITNESS_SOURCE_DIR "/config/can/e.toml");
  const auto* error = std::get_if<ConfigError>(&maps);
  const std::string folder = CRANKWITNESS_SOURCE_DIR "/config/can/";
  return error == nullptr ? "sound" : error->message.substr(error->message.starts_with(folder) ? folder.size() : 0);
}

TEST(MapsOfAnEngine, are_found_from_its_folder_with_their_interface) {
  const Engine engine = engine_with("[[can]]\nmap = \"slate.toml\"\ninterface = \"can0\"\n");
  ASSERT_EQ(engine.can.size(), 1U);
  EXPECT_EQ(engine.can[0].interface, "can0");
  const auto maps = load_signal_maps(engine, CRANKWITNESS_SOURCE_DIR "/config/can/e.toml");
  ASSERT_TRUE(std::holds_alternative<std::vector<SignalMapFile>>(maps)) << std::get<ConfigError>(maps).message;
  EXPECT_EQ(std::get<std::vector<SignalMapFile>>(maps).front().map.name, "slate ECU (invented)");
}

TEST(MapsOfAnEngine, that_contradict_it_or_each_other_get_one_line) {
  EXPECT_EQ(maps_error("[[can]]\nmap = \"none.toml\"\n"),
            "none.toml: expected a readable signal map, found: No such file or directory");
  EXPECT_EQ(maps_error("[[can]]\nmap = \"slate.toml\"\n[[can]]\nmap = \"j1939-eec1.toml\"\n"),
            "e.toml: can: j1939-eec1.toml: expected each signal from one map, found engine_speed also in " +
                std::string(CRANKWITNESS_SOURCE_DIR "/config/can/slate.toml"));
  EXPECT_EQ(maps_error("[reference]\nactive_edge = \"falling\"\nmarks = \"spark\"\nadvance_from = \"spark_advance\"\n"
                       "[[can]]\nmap = \"j1939-eec1.toml\"\n"),
            "e.toml: reference.advance_from: expected a signal that a map of this file gives, found \"spark_advance\"");
  Engine engine = engine_with("[[can]]\nmap = \"slate.toml\"\n");
  engine.cams.front().name = "exhaust";
  const auto maps = load_signal_maps(engine, CRANKWITNESS_SOURCE_DIR "/config/can/e.toml");
  ASSERT_TRUE(std::holds_alternative<ConfigError>(maps));
  EXPECT_EQ(std::get<ConfigError>(maps).message, CRANKWITNESS_SOURCE_DIR
            "/config/can/e.toml: can: slate.toml: expected a cam of this engine for cam_angle, found \"intake\"");
}

TEST(MapsOfAnEngine, an_engine_file_is_no_map_and_a_map_no_engine_file) {
  EXPECT_TRUE(looks_like_signal_map("[[message]]\nid = 1\n"));
  EXPECT_TRUE(looks_like_signal_map("dbc = \"x.dbc\"\n"));
  EXPECT_FALSE(looks_like_signal_map("[engine]\nname = \"x\"\n"));
  EXPECT_FALSE(looks_like_signal_map("[[message\n"));
}

}  // namespace
}  // namespace cw
