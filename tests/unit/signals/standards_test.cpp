// The ready maps against published frames and values.
#include <gtest/gtest.h>

#include "frames.hpp"

namespace cw {
namespace {

using test::ready_map;
using test::unknown_in;
using test::value_in;

constexpr auto speed = SignalName::engine_speed;
constexpr auto advance = SignalName::spark_advance;

// First frame: README of the public repository pretty_j1939 (its worked example: 649 rpm, priority 3); second: a
// published generator-set manual.
TEST(J1939, published_frames_of_eec1_give_their_speeds) {
  const SignalMap map = ready_map("j1939-eec1");
  EXPECT_EQ(value_in(map, "0CF00400#207D87481400F087", speed), 649.0);
  EXPECT_EQ(value_in(map, "0CF00400#FF7D7DE015FFF0FF", speed), 700.0);
}

TEST(J1939, the_group_is_taken_from_any_source_and_with_any_priority) {
  const SignalMap map = ready_map("j1939-eec1");
  for (const char* id : {"0CF00400", "00F00400", "1CF004FE", "18F00417"}) {
    EXPECT_EQ(value_in(map, std::string(id) + "#207D87481400F087", speed), 649.0) << id;
  }
  // Another group, another page, 11 bits, a remote request.
  for (const char* frame :
       {"0CF00300#207D87481400F087", "0DF00400#207D87481400F087", "400#207D87481400F087", "0CF00400#R8"}) {
    EXPECT_EQ(value_in(map, frame, speed), std::nullopt) << frame;
  }
}

// SAE J1939-71: SPN 190 is valid to FAFF = 8031.875 rpm; FE.. is error, FF.. not available (from memory).
TEST(J1939, the_end_of_the_range_is_error_and_not_available) {
  const SignalMap map = ready_map("j1939-eec1");
  EXPECT_EQ(value_in(map, "0CF00400#000000FFFA000000", speed), 8031.875);
  EXPECT_EQ(unknown_in(map, "0CF00400#00000000FB000000", speed), Unknown::out_of_range);
  EXPECT_EQ(unknown_in(map, "0CF00400#000000FFFD000000", speed), Unknown::out_of_range);
  EXPECT_EQ(unknown_in(map, "0CF00400#00000000FE000000", speed), Unknown::error);
  EXPECT_EQ(unknown_in(map, "0CF00400#000000FFFE000000", speed), Unknown::error);
  EXPECT_EQ(unknown_in(map, "0CF00400#00000000FF000000", speed), Unknown::not_available);
  EXPECT_EQ(unknown_in(map, "0CF00400#FFFFFFFFFFFFFFFF", speed), Unknown::not_available);
}

TEST(EndOfRange, is_the_greatest_value_that_a_signal_can_say_by_its_valid_range_or_by_its_bits) {
  const auto greatest = [](const SignalMap& map, const std::string& frame) {
    SignalReadings out;
    return is_greatest(read_signals(map, test::frame_of(frame), out).front());
  };
  const SignalMap eec1 = ready_map("j1939-eec1");
  EXPECT_TRUE(greatest(eec1, "0CF00400#000000FFFA000000"));
  EXPECT_FALSE(greatest(eec1, "0CF00400#000000FEFA000000"));
  SignalMap bits;
  bits.messages.resize(1);
  bits.messages[0].ids = {0x100, can_extended_id_max, false};
  bits.messages[0].signals.resize(1);
  bits.messages[0].signals[0].coding.field = {0, 16, ByteOrder::little};
  EXPECT_TRUE(greatest(bits, "100#FFFF"));
  EXPECT_FALSE(greatest(bits, "100#FEFF"));
  bits.messages[0].signals[0].coding.form = RawForm::signed_whole;
  EXPECT_TRUE(greatest(bits, "100#FF7F"));
  EXPECT_FALSE(greatest(bits, "100#FFFF"));
}

// SAE J1939-21: the number of a group whose format is below 240 leaves the destination out. TSC1 is group 0, sent as
// 0C0000xx to address 0.
TEST(J1939, a_group_with_a_destination_is_matched_whatever_the_destination) {
  const CanIdMatch tsc1 = j1939_match(0, std::nullopt);
  EXPECT_TRUE(matches(tsc1, 0x0c000003, true));
  EXPECT_TRUE(matches(tsc1, 0x0c00ff03, true));
  EXPECT_FALSE(matches(tsc1, 0x0c010003, true));
  EXPECT_TRUE(matches(j1939_match(61444, std::uint8_t{3}), 0x0cf00403, true));
  EXPECT_FALSE(matches(j1939_match(61444, std::uint8_t{3}), 0x0cf00400, true));
  EXPECT_EQ(j1939_pgn(0x0cf00400), 61444U);
  EXPECT_EQ(j1939_pgn(0x0c00ff03), 0U);
  EXPECT_EQ(j1939_pgn(0x18feee17), 65262U);
}

// SAE J1979 / ISO 15031-5: PID 0C is (256 A + B) / 4 rpm, to 16383.75; 1A F8 is 1726 rpm. PID 0E is A / 2 - 64 degrees
// before TDC, -64 to 63.5.
TEST(Obd, answers_on_the_bus_give_speed_and_advance) {
  const SignalMap map = ready_map("obd");
  EXPECT_EQ(value_in(map, "7E8#04410C1AF8", speed), 1726.0);
  EXPECT_EQ(value_in(map, "7E8#04410C1AF8AAAAAA", speed), 1726.0);
  EXPECT_EQ(value_in(map, "7EF#04410CFFFF000000", speed), 16383.75);
  EXPECT_EQ(value_in(map, "18DAF110#04410C1AF8", speed), 1726.0);
  EXPECT_EQ(value_in(map, "7E8#03410E80", advance), 0.0);
  EXPECT_EQ(value_in(map, "7E8#03410E00", advance), -64.0);
  EXPECT_EQ(value_in(map, "18DAF110#03410EFF", advance), 63.5);
  EXPECT_EQ(value_in(map, "7E8#06410C1AF80E80", speed), 1726.0);
}

TEST(Obd, what_is_no_single_frame_of_these_answers_gives_nothing) {
  const SignalMap map = ready_map("obd");
  for (const char* frame : {
           "7E0#02010C",            // the request
           "7DF#02010C0000000000",  // to all
           "7F0#04410C1AF8",        // no ECU's answer
           "7E8#04420C1AF8",        // service 02
           "7E8#03410D32",          // vehicle speed
           "7E8#037F0112",          // refused
           "7E8#1041410C1AF80000",  // a first frame of several
           "7E8#2141410C1AF80000",  // one of those that follow
           "7E8#04410C1A",          // cut off
           "7E8#R4",                // a remote request
           "000007E8#04410C1AF8",   // the same number in 29 bits
           "18DBF110#04410C1AF8",   // to a functional address
           "18DA10F1#02010C",       // the request
       }) {
    EXPECT_EQ(value_in(map, frame, speed), std::nullopt) << frame;
    EXPECT_EQ(value_in(map, frame, advance), std::nullopt) << frame;
  }
}

}  // namespace
}  // namespace cw
