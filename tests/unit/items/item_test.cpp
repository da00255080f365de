#include "items/item.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cstddef>
#include <vector>

#include "tests/unit/bytes.hpp"

namespace cw {
namespace {

using test::bytes;

Item item_at(std::uint32_t payload_at) {
  Item item;
  item.payload_at = payload_at;
  return item;
}

TEST(PayloadOf, is_the_bytes_after_a_little_endian_length) {
  const std::vector<std::byte> payload = bytes({0xee, 3, 0, 10, 20, 30, 0xff});
  const auto found = payload_of(item_at(1), payload);
  ASSERT_EQ(found.size(), 3U);
  EXPECT_EQ(found[0], std::byte{10});
  EXPECT_EQ(found[2], std::byte{30});
}

TEST(PayloadOf, reads_lengths_above_255) {
  std::vector<std::byte> payload(2 + 258, std::byte{7});
  payload[0] = std::byte{2};
  payload[1] = std::byte{1};
  EXPECT_EQ(payload_of(item_at(0), payload).size(), 258U);
}

TEST(PayloadOf, is_empty_for_an_item_without_one) {
  EXPECT_TRUE(payload_of(Item{}, bytes({1, 0, 5})).empty());
  EXPECT_TRUE(payload_of(item_at(0), bytes({0, 0})).empty());
}

TEST(PayloadOf, is_empty_when_the_batch_is_too_short_for_length_or_bytes) {
  EXPECT_TRUE(payload_of(item_at(0), {}).empty());
  EXPECT_TRUE(payload_of(item_at(0), bytes({1})).empty());
  EXPECT_TRUE(payload_of(item_at(0), bytes({2, 0, 5})).empty());
  EXPECT_TRUE(payload_of(item_at(2), bytes({0, 0, 0})).empty());
  EXPECT_TRUE(payload_of(item_at(0xfffffffeU), bytes({1, 0, 5})).empty());
}

TEST(PayloadOf, may_end_with_the_batch) {
  EXPECT_EQ(payload_of(item_at(0), bytes({1, 0, 5})).size(), 1U);
}

TEST(Item, equals_another_only_in_every_field) {
  Item a;
  Item b;
  EXPECT_EQ(a, b);
  b.code = static_cast<std::uint8_t>(EdgeCode::rising);
  EXPECT_FALSE(a == b);
}

}  // namespace
}  // namespace cw
