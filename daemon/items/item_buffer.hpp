// Items that own their payload bytes: what drivers and readers fill and what queues carry.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "items/item.hpp"

namespace cw {

inline constexpr std::size_t payload_max = 65535;  // bytes of one item; its length is a u16

struct ItemBuffer {
  std::vector<Item> items;
  std::vector<std::byte> payload;

  // Valid until the buffer is changed.
  ItemBatch batch() const { return {items, payload}; }

  void clear() {
    items.clear();
    payload.clear();
  }

  // Adds `item` with `bytes` as its payload, cut at payload_max; `item.payload_at` is set here.
  void add_with_payload(Item item, std::span<const std::byte> bytes) {
    const std::size_t length = std::min(bytes.size(), payload_max);
    item.payload_at = static_cast<std::uint32_t>(payload.size());
    payload.push_back(static_cast<std::byte>(length & 0xff));
    payload.push_back(static_cast<std::byte>(length >> 8));
    payload.insert(payload.end(), bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(length));
    items.push_back(item);
  }

  void add_note(LinkNote note, std::int64_t source_ns) {
    Item item;
    item.kind = ItemKind::link_note;
    item.code = static_cast<std::uint8_t>(note);
    item.source_ns = source_ns;
    items.push_back(item);
  }

  // The name of a channel number from now on.
  void add_channel_name(std::uint8_t channel, std::string_view name, std::int64_t source_ns) {
    Item item;
    item.kind = ItemKind::link_note;
    item.code = static_cast<std::uint8_t>(LinkNote::channel_named);
    item.channel = channel;
    item.source_ns = source_ns;
    add_with_payload(item, std::as_bytes(std::span(name)));
  }

  // Something was lost here; how much, if that is known.
  void add_gap(GapReason reason, std::optional<std::uint64_t> count, std::int64_t source_ns) {
    Item item;
    item.kind = ItemKind::gap;
    item.code = static_cast<std::uint8_t>(reason);
    item.source_ns = source_ns;
    if (count) {
      add_with_payload(item, gap_count_bytes(*count));
    } else {
      items.push_back(item);
    }
  }

  // Adds `item` and copies what it points to in `from`.
  void add_copy(Item item, std::span<const std::byte> from) {
    if (item.payload_at == Item::no_payload) {
      items.push_back(item);
    } else {
      add_with_payload(item, payload_of(item, from));
    }
  }
};

}  // namespace cw
