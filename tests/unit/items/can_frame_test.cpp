#include "items/can_frame.hpp"

#include <gtest/gtest.h>

#include <functional>

namespace cw {
namespace {

CanFrame frame_of(std::uint32_t id, std::size_t length, bool extended = false) {
  CanFrame frame;
  frame.id = id;
  frame.extended = extended;
  frame.length = static_cast<std::uint8_t>(length);
  for (std::size_t i = 0; i < length; ++i) {
    frame.data.at(i) = static_cast<std::byte>(0xA0 + i);
  }
  return frame;
}

std::vector<CanFrame> frames_of_all_kinds() {
  std::vector<CanFrame> frames;
  for (std::size_t length = 0; length <= can_fd_length_max; ++length) {
    for (const bool fd : {false, true}) {
      if (can_length_is_sound(length, fd)) {
        frames.push_back(frame_of(can_id_max, length));
        frames.back().fd = fd;
        frames.back().bit_rate_switch = fd && length % 2 == 0;
        frames.back().error_state_indicator = fd && length % 3 == 0;
      }
    }
  }
  frames.push_back(frame_of(can_extended_id_max, 8, true));
  CanFrame remote;
  remote.id = 0x123;
  remote.remote = true;
  remote.length = 8;
  frames.push_back(remote);
  CanFrame error = frame_of(can_extended_id_max, 8);
  error.error = true;
  frames.push_back(error);
  return frames;
}

std::optional<CanFrame> there_and_back(const CanFrame& frame, std::int64_t source_ns) {
  ItemBuffer items;
  EXPECT_TRUE(add_can_frame(items, 3, source_ns, frame));
  EXPECT_EQ(items.items[0].kind, ItemKind::can_frame);
  EXPECT_EQ(items.items[0].channel, 3);
  EXPECT_EQ(items.items[0].source_ns, source_ns);
  return can_frame_of(items.items[0], items.payload);
}

TEST(CanFramePayload, holds_every_kind_of_frame_with_every_mix_of_stamps) {
  constexpr std::int64_t t_ns = 1'436'509'052'249'713'001;
  for (const CanFrame& plain : frames_of_all_kinds()) {
    for (const std::optional<std::int64_t> kernel : {std::optional<std::int64_t>(), {t_ns}, {t_ns + 1}, {INT64_MIN}}) {
      for (const std::optional<std::int64_t> hardware : {std::optional<std::int64_t>(), {0}, {INT64_MAX}}) {
        CanFrame frame = plain;
        frame.kernel_ns = kernel;
        frame.hardware_ns = hardware;
        EXPECT_EQ(there_and_back(frame, t_ns), frame);
      }
    }
  }
}

TEST(CanFramePayload, is_not_made_of_a_frame_that_can_not_be) {
  const std::vector<std::function<void(CanFrame&)>> wrongs = {
      [](CanFrame& frame) { frame.id = can_id_max + 1; },
      [](CanFrame& frame) { frame.extended = true, frame.id = can_extended_id_max + 1; },
      [](CanFrame& frame) { frame.length = 9; },
      [](CanFrame& frame) { frame.fd = true, frame.length = 9; },
      [](CanFrame& frame) { frame.fd = true, frame.length = 65; },
      [](CanFrame& frame) { frame.fd = frame.remote = true; },
      [](CanFrame& frame) { frame.fd = frame.error = true; },
      [](CanFrame& frame) { frame.error = frame.remote = true; },
      [](CanFrame& frame) { frame.error = frame.extended = true; },
      [](CanFrame& frame) { frame.bit_rate_switch = true; },
      [](CanFrame& frame) { frame.error_state_indicator = true; }};
  for (const auto& wrong : wrongs) {
    CanFrame frame = frame_of(0x123, 8);
    ItemBuffer items;
    EXPECT_TRUE(add_can_frame(items, 0, 0, frame));
    items.clear();
    wrong(frame);
    EXPECT_FALSE(add_can_frame(items, 0, 0, frame)) << &wrong - wrongs.data();
    EXPECT_TRUE(items.items.empty());
  }
}

// The payload of a frame of each kind, with one byte changed, or cut, or one byte too long.
TEST(CanFramePayload, that_is_malformed_is_refused_and_any_other_reads_as_what_it_says) {
  for (CanFrame frame : frames_of_all_kinds()) {
    frame.kernel_ns = 77;
    frame.hardware_ns = 5;
    ItemBuffer items;
    ASSERT_TRUE(add_can_frame(items, 0, 1, frame));
    const auto bytes = payload_of(items.items[0], items.payload);
    const std::vector<std::byte> sound(bytes.begin(), bytes.end());
    const auto read = [](const std::vector<std::byte>& payload) {
      ItemBuffer changed;
      Item item;
      item.kind = ItemKind::can_frame;
      item.source_ns = 1;
      changed.add_with_payload(item, payload);
      return can_frame_of(changed.items[0], changed.payload);
    };
    for (std::size_t size = 0; size < sound.size(); ++size) {
      EXPECT_FALSE(read({sound.begin(), sound.begin() + static_cast<std::ptrdiff_t>(size)}));
    }
    std::vector<std::byte> longer = sound;
    longer.push_back({});
    EXPECT_FALSE(read(longer));
    for (std::size_t at = 0; at < sound.size(); ++at) {
      for (unsigned value = 0; value < 256; ++value) {
        std::vector<std::byte> changed = sound;
        changed[at] = static_cast<std::byte>(value);
        const auto got = read(changed);
        EXPECT_EQ(got == frame, changed == sound);
        EXPECT_TRUE(!got || is_sound(*got));
      }
    }
  }
}

TEST(CanFramePayload, of_another_kind_of_item_is_none) {
  ItemBuffer items;
  ASSERT_TRUE(add_can_frame(items, 0, 0, frame_of(1, 1)));
  items.items[0].kind = ItemKind::edge;
  EXPECT_FALSE(can_frame_of(items.items[0], items.payload));
}

}  // namespace
}  // namespace cw
