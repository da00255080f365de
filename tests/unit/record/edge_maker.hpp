// A small maker of items for tests of recording: a wheel of 36 - 1 teeth at constant speed, a cam edge, ticks.
// Arithmetic only; no simulator.
#pragma once

#include <algorithm>
#include <cstdint>
#include <string>

#include "items/item_buffer.hpp"
#include "record/crc32c.hpp"

namespace cw::test {

inline Item item_at(ItemKind kind, std::int64_t source_ns, std::int64_t host_ns, std::uint64_t sequence) {
  Item item;
  item.kind = kind;
  item.source_ns = source_ns;
  item.host_ns = host_ns;
  item.sequence = sequence;
  return item;
}

inline void add_name(ItemBuffer& out, std::uint8_t channel, const std::string& name, std::int64_t t_ns) {
  Item note = item_at(ItemKind::link_note, t_ns, t_ns, out.items.size());
  note.code = static_cast<std::uint8_t>(LinkNote::channel_named);
  note.channel = channel;
  out.add_with_payload(note, std::as_bytes(std::span(name)));
}

// `turns` of the crank at 3000 rpm (20 ms a turn), host time 40 us after source time, in steps of 4 edges as if read
// together; tooth 36 is missing; a cam edge every other turn.
inline ItemBuffer wheel_items(int turns) {
  constexpr std::int64_t turn_ns = 20'000'000;
  constexpr std::int64_t pitch_ns = turn_ns / 36;
  ItemBuffer out;
  add_name(out, 0, "crank", 0);
  add_name(out, 1, "cam1", 0);
  std::int64_t host_ns = 0;
  for (int turn = 0; turn < turns; ++turn) {
    for (int tooth = 0; tooth < 35; ++tooth) {
      const std::int64_t t_ns = turn * turn_ns + tooth * pitch_ns;
      if (tooth % 4 == 0) {
        host_ns = t_ns + 40'000;
      }
      out.items.push_back(item_at(ItemKind::edge, t_ns, host_ns, out.items.size()));
      if (tooth == 10 && turn % 2 == 0) {
        Item cam = item_at(ItemKind::edge, t_ns + pitch_ns / 3, host_ns, out.items.size());
        cam.channel = 1;
        cam.code = static_cast<std::uint8_t>(EdgeCode::rising);
        out.items.push_back(cam);
      }
    }
    if (turn % 5 == 4) {
      host_ns = (turn + 1) * turn_ns;
      out.items.push_back(item_at(ItemKind::tick, 0, host_ns, out.items.size()));
    }
  }
  return out;
}

inline std::uint32_t crc_of(std::span<const std::byte> bytes) {
  return crc32c(bytes);
}
// As the header of a block holds it.
inline std::uint32_t crc_of_block(std::span<const std::byte> block) {
  return crc32c(block.subspan(8));
}

// Items and payloads alike; where in the payload bytes a payload stands does not matter.
inline bool same_items(const ItemBatch& a, const ItemBatch& b) {
  if (a.items.size() != b.items.size()) {
    return false;
  }
  for (std::size_t i = 0; i < a.items.size(); ++i) {
    Item left = a.items[i];
    Item right = b.items[i];
    const auto left_bytes = payload_of(left, a.payload);
    const auto right_bytes = payload_of(right, b.payload);
    left.payload_at = left.payload_at == Item::no_payload ? Item::no_payload : 0;
    right.payload_at = right.payload_at == Item::no_payload ? Item::no_payload : 0;
    if (!(left == right) || !std::equal(left_bytes.begin(), left_bytes.end(), right_bytes.begin(), right_bytes.end())) {
      return false;
    }
  }
  return true;
}

}  // namespace cw::test
