#include "signals/signal_map.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <random>

#include "frames.hpp"

namespace cw {
namespace {

using test::frame_of;
using test::ready_map;
using test::unknown_in;
using test::value_in;

std::optional<LockState> state_in(const SignalMap& map, const std::string& frame) {
  SignalReadings out;
  for (const SignalReading& reading : read_signals(map, frame_of(frame), out)) {
    if (reading.signal->name == SignalName::sync_state) {
      return reading.state;
    }
  }
  return std::nullopt;
}

// Worked by hand from the layout in slate.toml: 3000 rpm = 12000 = 2EE0; -5.5 deg = -55 = FC9 in 12 bits; state 3 and the
// flag above it: byte 3 is F | (3 | 8) << 4; 25 % = 50 = 32; 7 losses; 114 deg = 2280 = 08E8.
TEST(SlateMap, a_frame_worked_by_hand_gives_its_values) {
  const SignalMap map = ready_map("slate");
  const std::string frame = "2B0#E02EC9BF3207E808";
  EXPECT_EQ(value_in(map, frame, SignalName::engine_speed), 3000.0);
  EXPECT_NEAR(value_in(map, frame, SignalName::spark_advance).value_or(99), -5.5, 1e-12);
  EXPECT_EQ(state_in(map, frame), LockState::cycle_locked);
  EXPECT_EQ(value_in(map, frame, SignalName::spark_cut), 100.0);
  EXPECT_EQ(value_in(map, frame, SignalName::fuel_cut), 25.0);
  EXPECT_EQ(value_in(map, frame, SignalName::sync_loss_count), 7.0);
  EXPECT_NEAR(value_in(map, frame, SignalName::trigger_offset).value_or(0), 114.0, 1e-12);
}

// 20 degrees of the camshaft early, as the ECU counts: 400 = 0190; 40 crank degrees early here.
TEST(SlateMap, sign_and_unit_of_cam_angles_become_ours) {
  const SignalMap map = ready_map("slate");
  EXPECT_NEAR(value_in(map, "2B1#90010000", SignalName::cam_angle).value_or(0), -40.0, 1e-12);
  EXPECT_NEAR(value_in(map, "2B1#9001C8FF", SignalName::cam_target).value_or(0), 5.6, 1e-12);
  EXPECT_NEAR(value_in(map, "2B2#0000E0308A01", SignalName::battery_voltage).value_or(0), 12.512, 1e-12);
  EXPECT_NEAR(value_in(map, "2B2#0000E0308A01", SignalName::oil_pressure).value_or(0), 394.0, 1e-9);
}

// The same broadcast, described by bits in the TOML and by the DBC.
TEST(SlateMap, the_dbc_of_the_same_broadcast_gives_the_same_values) {
  const SignalMap by_hand = ready_map("slate");
  const auto parsed = load_signal_map(CRANKWITNESS_SOURCE_DIR "/tests/data/dbc/slate-by-name.toml");
  ASSERT_TRUE(std::holds_alternative<SignalMapFile>(parsed)) << std::get<ConfigError>(parsed).message;
  const SignalMap& by_name = std::get<SignalMapFile>(parsed).map;
  std::mt19937 dice(5);
  SignalReadings out_a;
  SignalReadings out_b;
  std::size_t values = 0;
  for (int run = 0; run < 5000; ++run) {
    CanFrame frame;
    frame.id = 0x2b0 + dice() % 3;
    frame.length = static_cast<std::uint8_t>(dice() % 9);
    for (std::byte& byte : frame.data) {
      byte = static_cast<std::byte>(dice());
    }
    const auto a = read_signals(by_hand, frame, out_a);
    const auto b = read_signals(by_name, frame, out_b);
    ASSERT_EQ(a.size(), b.size());
    for (std::size_t i = 0; i < a.size(); ++i) {
      EXPECT_EQ(a[i].signal->name, b[i].signal->name);
      EXPECT_EQ(a[i].unknown, b[i].unknown) << to_string(a[i].signal->name) << " " << a[i].bits;
      EXPECT_NEAR(a[i].value, b[i].value, 1e-9);
      EXPECT_EQ(a[i].state, b[i].state);
      ++values;
    }
  }
  EXPECT_GT(values, 10'000U);
}

// Worked by hand from marl.dbc: 4000 rpm = 8000 = 1F40; 12.5 deg before TDC = -12.5 after = -125 = F83; cut 4/16; state
// 3, 5 errors: 11 000101; 360 deg = 7200 = 1C20 in 14 bits, left: 7080.
TEST(MarlMap, a_big_endian_frame_worked_by_hand_gives_its_values) {
  const SignalMap map = ready_map("marl");
  const std::string frame = "152#1F40F834C5708000";
  EXPECT_EQ(value_in(map, frame, SignalName::engine_speed), 4000.0);
  EXPECT_NEAR(value_in(map, frame, SignalName::spark_advance).value_or(0), 12.5, 1e-12);
  EXPECT_EQ(value_in(map, frame, SignalName::fuel_cut), 25.0);
  EXPECT_EQ(state_in(map, frame), LockState::cycle_locked);
  EXPECT_EQ(value_in(map, frame, SignalName::sync_loss_count), 5.0);
  EXPECT_NEAR(value_in(map, frame, SignalName::trigger_offset).value_or(0), 360.0, 1e-9);
}

TEST(MarlMap, the_multiplexer_chooses_what_is_in_a_frame) {
  const SignalMap map = ready_map("marl");
  // Page 0: 90 degC = 900 = 0384, 212 degF = 2120 = 0848 = 100 degC.
  EXPECT_NEAR(value_in(map, "015A8701#0003840848", SignalName::coolant_temperature).value_or(0), 90, 1e-9);
  EXPECT_NEAR(value_in(map, "015A8701#0003840848", SignalName::oil_temperature).value_or(0), 100, 1e-9);
  EXPECT_EQ(value_in(map, "015A8701#0003840848", SignalName::battery_voltage), std::nullopt);
  // Page 1: 13.8 V = 13800 = 35E8, 400 kPa = 4000 = 0FA0.
  EXPECT_NEAR(value_in(map, "015A8701#1035E80FA0", SignalName::battery_voltage).value_or(0), 13.8, 1e-9);
  EXPECT_NEAR(value_in(map, "015A8701#1035E80FA0", SignalName::oil_pressure).value_or(0), 400, 1e-9);
  EXPECT_EQ(value_in(map, "015A8701#1035E80FA0", SignalName::coolant_temperature), std::nullopt);
  // Page 2, the second as a float: C2480000 is -50.
  EXPECT_NEAR(value_in(map, "015A8701#20FF38C2480000", SignalName::cam_angle).value_or(0), -2, 1e-9);
  EXPECT_EQ(value_in(map, "015A8701#20FF38C2480000", SignalName::cam_target), -50.0);
  EXPECT_EQ(value_in(map, "015A8701#3003840848", SignalName::coolant_temperature), std::nullopt);
}

TEST(SignalMap, a_value_out_of_its_range_is_not_known) {
  const SignalMap map = ready_map("slate");
  EXPECT_EQ(value_in(map, "2B0#80BB", SignalName::engine_speed), 12000.0);
  EXPECT_EQ(unknown_in(map, "2B0#81BB", SignalName::engine_speed), Unknown::out_of_range);
}

TEST(SignalMap, a_float_that_is_no_number_is_not_known) {
  const SignalMap map = ready_map("marl");
  for (const char* bits : {"7FC00000", "7F800000", "FF800000"}) {
    EXPECT_EQ(unknown_in(map, "015A8701#200000" + std::string(bits), SignalName::cam_target), Unknown::out_of_range);
  }
}

TEST(SignalMap, a_state_that_the_map_does_not_name_is_not_known) {
  const SignalMap map = ready_map("slate");
  EXPECT_EQ(unknown_in(map, "2B0#00000050", SignalName::sync_state), Unknown::out_of_range);
  EXPECT_EQ(unknown_in(map, "2B0#00000070", SignalName::sync_state), Unknown::not_available);
  EXPECT_EQ(unknown_in(map, "2B0#00000010", SignalName::sync_state), Unknown::none);
}

TEST(SignalMap, a_raw_value_for_a_broken_sensor_is_not_known) {
  const SignalMap map = ready_map("slate");
  EXPECT_EQ(unknown_in(map, "2B2#FF", SignalName::coolant_temperature), Unknown::not_available);
  EXPECT_EQ(value_in(map, "2B2#FE", SignalName::coolant_temperature), 214.0);
}

TEST(SignalMap, signals_beyond_a_short_frame_are_not_there) {
  const SignalMap map = ready_map("slate");
  SignalReadings out;
  EXPECT_EQ(read_signals(map, frame_of("2B0#"), out).size(), 0U);
  EXPECT_EQ(read_signals(map, frame_of("2B0#0000"), out).size(), 1U);
  EXPECT_EQ(read_signals(map, frame_of("2B0#0000000000000000"), out).size(), 7U);
  EXPECT_EQ(read_signals(map, frame_of("2B0##00000000000000000"), out).size(), 7U);
}

TEST(SignalMap, error_frames_remote_requests_and_other_identifiers_say_nothing) {
  const SignalMap map = ready_map("slate");
  SignalReadings out;
  for (const char* frame :
       {"2B0#R8", "2AF#0000000000000000", "000002B0#0000000000000000", "200002B0#0000000000000000"}) {
    EXPECT_TRUE(read_signals(map, frame_of(frame), out).empty()) << frame;
  }
}

TEST(SignalMap, names_each_identifier_that_it_needs_once) {
  EXPECT_EQ(needed_ids(ready_map("slate")),
            (std::vector<CanIdMatch>{{0x2b0, 0x7ff, false}, {0x2b1, 0x7ff, false}, {0x2b2, 0x7ff, false}}));
  EXPECT_EQ(needed_ids(ready_map("obd")),
            (std::vector<CanIdMatch>{{0x7e8, 0x7f8, false}, {0x18daf100, 0x1fffff00, true}}));
  EXPECT_EQ(needed_ids(ready_map("j1939-eec1")), (std::vector<CanIdMatch>{{0x00f00400, 0x03ffff00, true}}));
  SignalMap map = ready_map("slate");
  map.messages.push_back(map.messages.front());
  EXPECT_EQ(needed_ids(map).size(), 3U);
}

// What a receive filter with needed_ids lets through is just what the map can read.
TEST(SignalMap, frames_outside_of_the_needed_identifiers_give_nothing) {
  std::mt19937 dice(3);
  SignalReadings out;
  for (const char* name : {"slate", "marl", "obd", "j1939-eec1"}) {
    const SignalMap map = ready_map(name);
    const std::vector<CanIdMatch> ids = needed_ids(map);
    for (int run = 0; run < 20'000; ++run) {
      CanFrame frame;
      frame.extended = dice() % 2 == 0;
      const CanIdMatch& near = ids[dice() % ids.size()];
      frame.id = (near.id ^ (1U << dice() % 29)) & (frame.extended ? can_extended_id_max : can_id_max);
      frame.length = 8;
      const bool wanted =
          std::ranges::any_of(ids, [&](const auto& match) { return matches(match, frame.id, frame.extended); });
      if (!wanted) {
        EXPECT_TRUE(read_signals(map, frame, out).empty());
      }
    }
  }
}

}  // namespace
}  // namespace cw
