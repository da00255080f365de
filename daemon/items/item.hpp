// What flows into the core: edges, CAN frames, link notes, ticks and gaps, as one fixed-size record each.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

namespace cw {

enum class ItemKind : std::uint8_t {
  edge = 0,       // one signal edge; `channel`, `code` = EdgeCode, `source_ns`
  can_frame = 1,  // one CAN frame; payload = the frame (can_frame.hpp)
  link_note = 2,  // something about the source itself; `code` = LinkNote
  tick = 3,       // host time goes on; every 100 ms; `source_ns` is 0 when no source time is known
  gap = 4,        // items were lost before sequencing; `code` = GapReason; payload (if any) = little-endian u64 count;
                  // a count of 0: something could not be read and nothing was lost with it, or, of
                  // recorder_behind, the items were recorded and not kept
};

enum class EdgeCode : std::uint8_t { falling = 0, rising = 1 };

enum class LinkNote : std::uint8_t {
  connected = 0,
  disconnected = 1,
  end_of_input = 2,   // a file or pipe ended in good order
  channel_named = 3,  // payload = the channel's name in UTF-8; `channel` = its number from now on
  new_epoch = 4,      // the source clock starts afresh: sync forgets everything
  heartbeat = 5,      // the device lives and its clock stands at `source_ns`, also when no edge comes
};

enum class GapReason : std::uint8_t {
  device_dropped = 0,  // the capture device says that it lost edges
  link_lost = 1,
  queue_full = 2,
  bad_input = 3,        // input that could not be read, for example a malformed line in a live stream
  recorder_behind = 4,  // the recording misses a span that the live analysis has seen
  port_overrun = 5,     // the kernel says that it lost bytes of a serial port; the count is of bytes
  receive_overflow = 6  // the kernel had no room left for frames of a CAN interface
};

// One input item. Trivially copyable; the order of items in a stream is the order of `sequence`, which rises by one an
// item over all sources. Times in nanoseconds: `source_ns` on the clock of the source, `host_ns` on the host's
// monotonic clock at arrival (for files replayed without a recording: equal to source_ns).
struct Item {
  std::int64_t source_ns = 0;
  std::int64_t host_ns = 0;
  std::uint64_t sequence = 0;
  ItemKind kind = ItemKind::edge;
  std::uint8_t source = 0;
  std::uint8_t channel = 0;
  std::uint8_t code = 0;
  // Offset of this item's payload in the batch's payload bytes: a little-endian u16 length, then that many bytes;
  // no_payload for none.
  std::uint32_t payload_at = 0xffffffffU;

  static constexpr std::uint32_t no_payload = 0xffffffffU;
  friend bool operator==(const Item&, const Item&) = default;
};
static_assert(sizeof(Item) == 32);

// A batch of items in sequence order and the payload bytes they point into. Both must outlive the call they are passed
// to; how a stream is cut into batches never changes what comes out.
struct ItemBatch {
  std::span<const Item> items;
  std::span<const std::byte> payload;
};

// The payload bytes of `item`; empty when it has none or when the batch is too short to hold it.
std::span<const std::byte> payload_of(const Item& item, std::span<const std::byte> payload);

// The payload of a gap item that says how much was lost, and back; nothing from an empty one: how much is not known.
std::array<std::byte, 8> gap_count_bytes(std::uint64_t count);
std::optional<std::uint64_t> gap_count(std::span<const std::byte> payload);

}  // namespace cw
