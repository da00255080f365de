// Gives items their place in the one order of the session, and adds ticks. Knows no clock: times are handed in.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <span>

#include "items/item_buffer.hpp"

namespace cw {

inline constexpr std::int64_t tick_ns = 100'000'000;

// Live: stamps what the sources deliver with the time of arrival.
class LiveSequencer {
 public:
  // Stamps all of `items` as having arrived from `source` at `host_ns`; host times must not fall from call to call.
  void stamp(ItemBuffer& items, std::uint8_t source, std::int64_t host_ns);
  // A tick, ready to be queued.
  ItemBuffer tick(std::int64_t host_ns);
  // A gap of `count` items lost before sequencing.
  ItemBuffer gap(GapReason reason, std::uint64_t count, std::uint8_t source, std::int64_t host_ns);
  // The marker after a span that was not recorded: a recorder_behind gap and a new_epoch note. How many items are
  // missing from the recording shows in their sequence numbers.
  ItemBuffer recorder_marker(std::int64_t host_ns);
  // The last `count` items stamped were not queued: their numbers go to the next ones.
  void take_back(std::uint64_t count) { next_sequence_ -= count; }

 private:
  Item next(ItemKind kind, std::uint8_t code, std::uint8_t source, std::int64_t host_ns);
  std::uint64_t next_sequence_ = 0;
};

// The host times of the items of one file, replayed without a recording: their source times, shifted by as much as the
// file's clock is off. Within an epoch they never fall: a frame that was held up in the queue of its interface is not
// moved ahead.
class FileStamper {
 public:
  explicit FileStamper(std::uint8_t source = 0, std::int64_t shift_ns = 0) : source_(source), shift_ns_(shift_ns) {}
  // Fills source and host_ns.
  void stamp(ItemBuffer& items);

 private:
  std::uint8_t source_;
  std::int64_t shift_ns_;
  std::int64_t last_ns_ = INT64_MIN;
};

// Files replayed without a recording: numbers items that FileStamper has stamped. A tick stands at each 100 ms of host
// time after the first item, before the items of that moment.
class FileSequencer {
 public:
  using Sink = std::function<void(ItemBuffer&&)>;

  // Passes the items on to `sink` in batches, ticks put in.
  void sequence(const ItemBuffer& items, const Sink& sink);

 private:
  static constexpr std::size_t batch_items_max = 32768;
  void add_ticks_up_to(std::int64_t time_ns, const Sink& sink);
  void hand_on(const Sink& sink);
  std::size_t plain_items(std::span<const Item> items) const;
  void add_plain(std::span<const Item> items);

  ItemBuffer out_;
  std::uint64_t next_sequence_ = 0;
  std::optional<std::int64_t> next_tick_ns_;
};

}  // namespace cw
