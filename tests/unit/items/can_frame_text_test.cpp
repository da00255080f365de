#include "items/can_frame_text.hpp"

#include <gtest/gtest.h>

#include <string>
#include <vector>

namespace cw {
namespace {

CanFrame frame_of(const std::string& text) {
  const auto parsed = parse_can_frame(text);
  const auto* problem = std::get_if<CanTextProblem>(&parsed);
  EXPECT_EQ(problem, nullptr) << text << ": at " << problem->at << " expected " << problem->expected;
  return problem == nullptr ? std::get<CanFrame>(parsed) : CanFrame{};
}

std::string problem_of(const std::string& text) {
  const auto parsed = parse_can_frame(text);
  const auto* problem = std::get_if<CanTextProblem>(&parsed);
  return problem == nullptr ? "none" : std::to_string(problem->at) + ": expected " + std::string(problem->expected);
}

// Examples as the usage text of cansend (can-utils 2020.11) gives them.
TEST(CanFrameText, examples_of_cansend_are_read) {
  CanFrame frame = frame_of("5A1#11.2233.44556677.88");
  EXPECT_EQ(frame.id, 0x5a1U);
  EXPECT_FALSE(frame.extended);
  EXPECT_EQ(frame.length, 8);
  EXPECT_EQ(frame.data[7], std::byte{0x88});
  EXPECT_EQ(frame_of("123#DEADBEEF").length, 4);
  EXPECT_EQ(frame_of("5AA#").length, 0);
  frame = frame_of("123##1");
  EXPECT_TRUE(frame.fd && frame.bit_rate_switch);
  EXPECT_EQ(frame.length, 0);
  frame = frame_of("213##311223344");
  EXPECT_TRUE(frame.fd && frame.bit_rate_switch && frame.error_state_indicator);
  EXPECT_EQ(frame.length, 4);
  frame = frame_of("1F334455#1122334455667788_B");
  EXPECT_TRUE(frame.extended);
  EXPECT_EQ(frame.id, 0x1f334455U);
  EXPECT_EQ(frame.length, 8);
  EXPECT_TRUE(frame_of("123#R").remote);
  EXPECT_EQ(frame_of("00000123#R3").length, 3);
  EXPECT_TRUE(frame_of("00000123#R3").extended);
  EXPECT_EQ(frame_of("333#R8_E").length, 8);
}

TEST(CanFrameText, an_error_frame_is_known_by_bit_29_and_keeps_its_classes) {
  const CanFrame frame = frame_of("20000004#0001000000000000");
  EXPECT_TRUE(frame.error);
  EXPECT_FALSE(frame.extended);
  EXPECT_EQ(frame.id, 4U);
  EXPECT_EQ(frame.length, 8);
}

TEST(CanFrameText, what_is_written_is_read_alike) {
  for (const char* text :
       {"000#", "7FF#00", "3E8#0102030405060708", "1FFFFFFF#AB", "00000000#", "123#R", "123#R8",
        "20000004#0001000000000000", "123##0", "123##3001122334455667788990011", "0CF00400#207D87481400F087"}) {
    EXPECT_EQ(can_frame_text(frame_of(text)), text);
  }
}

TEST(CanFrameText, fd_lengths_are_those_of_the_standard) {
  for (std::size_t length = 0; length <= 65; ++length) {
    const std::string text = "123##0" + std::string(2 * length, 'A');
    const bool allowed = length <= 8 || length == 12 || length == 16 || length == 20 || length == 24 || length == 32 ||
                         length == 48 || length == 64;
    EXPECT_EQ(std::holds_alternative<CanFrame>(parse_can_frame(text)), allowed) << length;
  }
}

TEST(CanFrameText, says_where_it_is_wrong_and_what_was_expected) {
  EXPECT_EQ(problem_of(""), "0: expected an identifier of 3 or 8 hex digits, then #");
  EXPECT_EQ(problem_of("123"), "3: expected # after the identifier");
  EXPECT_EQ(problem_of("1234#00"), "4: expected an identifier of 3 or 8 hex digits, then #");
  EXPECT_EQ(problem_of("12G#00"), "2: expected a hex digit of the identifier");
  EXPECT_EQ(problem_of("800#00"), "0: expected an identifier of at most 7FF");
  EXPECT_EQ(problem_of("40000000#00"),
            "0: expected an identifier of at most 1FFFFFFF, or an error frame's (20000000 and up)");
  EXPECT_EQ(problem_of("123#0"), "5: expected a byte of two hex digits");
  EXPECT_EQ(problem_of("123#0g"), "5: expected a byte of two hex digits");
  EXPECT_EQ(problem_of("123#00."), "7: expected a byte of two hex digits");
  EXPECT_EQ(problem_of("123#.00"), "4: expected a byte of two hex digits");
  EXPECT_EQ(problem_of("123#112233445566778899"), "20: expected the end of the frame");
  EXPECT_EQ(problem_of("123#1122334455667788_8"), "21: expected a raw length code from 9 to F");
  EXPECT_EQ(problem_of("123#11_9"), "6: expected the end of the frame");
  EXPECT_EQ(problem_of("123#R9"), "5: expected a length from 0 to 8, or the end");
  EXPECT_EQ(problem_of("123#R5 "), "6: expected the end of the frame");
  EXPECT_EQ(problem_of("123##"), "5: expected a hex digit of CAN FD flags");
  EXPECT_EQ(problem_of("123##0112233445566778899"), "24: expected 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes of data");
  EXPECT_EQ(problem_of("123#00 "), "6: expected a byte of two hex digits");
}

}  // namespace
}  // namespace cw
