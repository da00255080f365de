#include "signals/bit_field.hpp"

#include <gtest/gtest.h>

#include <array>
#include <bit>
#include <cmath>
#include <random>
#include <vector>

#include "tests/unit/bytes.hpp"

namespace cw {
namespace {

using test::bytes;

// Worked by hand: 0x1234 over bytes 1 and 2, in both orders.
TEST(BitField, whole_bytes_are_read_in_both_orders) {
  EXPECT_EQ(extract({8, 16, ByteOrder::little}, bytes({0, 0x34, 0x12, 0})), 0x1234U);
  EXPECT_EQ(extract({15, 16, ByteOrder::big}, bytes({0, 0x12, 0x34, 0})), 0x1234U);
}

// Worked by hand. Little: bits 4 to 11 are the high half of byte 0 and the low half of byte 1. Big: from bit 3 down
// through byte 0, then bits 7 to 4 of byte 1.
TEST(BitField, a_field_that_begins_within_a_byte_goes_on_in_the_next) {
  EXPECT_EQ(extract({4, 8, ByteOrder::little}, bytes({0xab, 0xcd})), 0xdaU);
  EXPECT_EQ(extract({3, 8, ByteOrder::big}, bytes({0xab, 0xcd})), 0xbcU);
  EXPECT_EQ(bit_number({3, 8, ByteOrder::big}, 7), 3U);
  EXPECT_EQ(bit_number({3, 8, ByteOrder::big}, 0), 12U);
  EXPECT_EQ(bit_number({4, 8, ByteOrder::little}, 0), 4U);
  EXPECT_EQ(bit_number({4, 8, ByteOrder::little}, 7), 11U);
}

TEST(BitField, all_64_bits_and_single_bits_are_read) {
  const auto data = bytes({0x01, 0x23, 0x45, 0x67, 0x89, 0xab, 0xcd, 0xef});
  EXPECT_EQ(extract({7, 64, ByteOrder::big}, data), 0x0123456789abcdefU);
  EXPECT_EQ(extract({0, 64, ByteOrder::little}, data), 0xefcdab8967452301U);
  for (std::uint32_t bit = 0; bit < 64; ++bit) {
    const std::uint64_t expected = std::to_integer<std::uint64_t>(data[bit / 8]) >> bit % 8 & 1U;
    EXPECT_EQ(extract({bit, 1, ByteOrder::little}, data), expected);
    EXPECT_EQ(extract({bit, 1, ByteOrder::big}, data), expected);
  }
}

// The same bits taken one by one in the order in which the field runs.
TEST(BitField, any_field_agrees_with_reading_bit_by_bit) {
  std::mt19937 dice(7);
  for (int run = 0; run < 20'000; ++run) {
    std::vector<std::byte> data(1 + dice() % 64);
    for (std::byte& byte : data) {
      byte = static_cast<std::byte>(dice());
    }
    const auto start = static_cast<std::uint32_t>(dice() % 512);
    const auto length = static_cast<std::uint32_t>(1 + dice() % 64);
    const BitField field{start, length, dice() % 2 == 0 ? ByteOrder::little : ByteOrder::big};
    std::uint64_t expected = 0;
    bool inside = true;
    std::uint32_t at = field.start_bit;
    for (std::uint32_t i = 0; i < field.length; ++i) {
      inside = inside && at / 8 < data.size();
      const std::uint64_t bit = inside ? std::to_integer<std::uint64_t>(data[at / 8]) >> at % 8 & 1U : 0;
      if (field.order == ByteOrder::little) {
        expected |= bit << i;
        ++at;
      } else {
        expected = expected << 1 | bit;
        at = at % 8 == 0 ? at + 15 : at - 1;
      }
    }
    EXPECT_EQ(extract(field, data), inside ? std::optional(expected) : std::nullopt);
    EXPECT_EQ(bytes_needed(field) <= data.size(), inside);
  }
}

TEST(BitField, a_short_frame_does_not_hold_a_field) {
  EXPECT_EQ(extract({8, 16, ByteOrder::little}, bytes({0, 0})), std::nullopt);
  EXPECT_EQ(extract({15, 16, ByteOrder::big}, bytes({0, 0})), std::nullopt);
  EXPECT_EQ(extract({0, 1, ByteOrder::little}, bytes({})), std::nullopt);
  EXPECT_EQ(extract({0, 65, ByteOrder::little}, std::vector<std::byte>(64)), std::nullopt);
}

TEST(RawValue, numbers_are_read_by_their_form) {
  EXPECT_EQ(raw_value(0xfff, 12, RawForm::unsigned_whole), 4095);
  EXPECT_EQ(raw_value(0xfff, 12, RawForm::signed_whole), -1);
  EXPECT_EQ(raw_value(0x800, 12, RawForm::signed_whole), -2048);
  EXPECT_EQ(raw_value(1, 1, RawForm::signed_whole), -1);
  EXPECT_EQ(raw_value(~std::uint64_t{0}, 64, RawForm::signed_whole), -1);
  EXPECT_EQ(raw_value(~std::uint64_t{0}, 64, RawForm::unsigned_whole), 0x1p64);
  // IEEE 754: 3F800000 is 1, C2480000 is -50, 400921FB54442D18 is pi.
  EXPECT_EQ(raw_value(0x3f800000, 32, RawForm::float32), 1);
  EXPECT_EQ(raw_value(0xc2480000, 32, RawForm::float32), -50);
  EXPECT_EQ(raw_value(0x400921fb54442d18, 64, RawForm::float64), 3.141592653589793);
}

TEST(SignalCoding, a_multiplexed_signal_is_there_only_with_its_value) {
  SignalCoding coding;
  coding.field = {8, 8, ByteOrder::little};
  coding.when.push_back({{0, 4, ByteOrder::little}, {{2, 2}, {5, 7}}});
  EXPECT_EQ(bits_of(coding, bytes({0x12, 9})), 9U);
  EXPECT_EQ(bits_of(coding, bytes({0xf6, 9})), 9U);
  EXPECT_EQ(bits_of(coding, bytes({0x04, 9})), std::nullopt);
  EXPECT_EQ(bits_of(coding, bytes({0x08, 9})), std::nullopt);
  EXPECT_EQ(holds(coding.when.front(), bytes({})), std::nullopt);
}

}  // namespace
}  // namespace cw
