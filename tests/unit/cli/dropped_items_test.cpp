#include "cli/dropped_items.hpp"

#include <gtest/gtest.h>

namespace cw {
namespace {

ItemBuffer edges(std::size_t count) {
  ItemBuffer items;
  items.items.resize(count);
  return items;
}

TEST(DroppedItems, takes_edges_out_and_counts_them) {
  ItemBuffer items = edges(5);
  items.items.front().kind = ItemKind::can_frame;
  EXPECT_EQ(drop_data(items), 5U);
  EXPECT_TRUE(items.items.empty());
}

TEST(DroppedItems, what_a_gap_among_them_had_counted_is_not_lost) {
  ItemBuffer items = edges(2);
  items.add_gap(GapReason::device_dropped, 40, 7);
  items.add_gap(GapReason::link_lost, 3, 8);
  items.add_gap(GapReason::device_dropped, 2, 9);
  items.add_gap(GapReason::link_lost, std::nullopt, 10);
  EXPECT_EQ(data_and_losses(items), 47U);
  EXPECT_EQ(drop_data(items), 2U);
  EXPECT_EQ(data_and_losses(items), 45U);
  EXPECT_EQ(items.items.size(), 3U) << "one a reason, and one whose count is not known";
}

TEST(DroppedItems, keeps_the_latest_name_of_each_channel_and_the_latest_of_other_notes_in_their_order) {
  ItemBuffer items;
  items.add_note(LinkNote::connected, 1);
  items.add_channel_name(0, "old", 2);
  items.add_note(LinkNote::disconnected, 3);
  items.add_channel_name(0, "crank", 4);
  items.add_channel_name(1, "cam1", 5);
  items.add_note(LinkNote::connected, 6);
  EXPECT_EQ(drop_data(items), 0U);
  ASSERT_EQ(items.items.size(), 4U);
  EXPECT_EQ(items.items[0].source_ns, 3);
  EXPECT_EQ(items.items[1].source_ns, 4);
  EXPECT_EQ(payload_of(items.items[1], items.payload).size(), 5U);
  EXPECT_EQ(items.items[2].channel, 1);
  EXPECT_EQ(items.items[3].source_ns, 6);
}

TEST(DroppedItems, stays_small_however_long_there_is_no_room) {
  ItemBuffer items;
  for (int i = 0; i < 1000; ++i) {
    items.add_note(LinkNote::heartbeat, i);
    items.add_gap(GapReason::bad_input, 1, i);
    items.add_gap(GapReason::device_dropped, 1000, i);
    drop_data(items);
  }
  EXPECT_EQ(items.items.size(), 3U);
  EXPECT_EQ(data_and_losses(items), 1'001'000U);
}

}  // namespace
}  // namespace cw
