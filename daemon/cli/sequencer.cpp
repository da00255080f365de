#include "cli/sequencer.hpp"

#include <algorithm>
#include <utility>

namespace cw {

void LiveSequencer::stamp(ItemBuffer& items, std::uint8_t source, std::int64_t host_ns) {
  for (Item& item : items.items) {
    item.source = source;
    item.host_ns = host_ns;
    item.sequence = next_sequence_++;
  }
}

Item LiveSequencer::next(ItemKind kind, std::uint8_t code, std::uint8_t source, std::int64_t host_ns) {
  Item item;
  item.kind = kind;
  item.code = code;
  item.source = source;
  item.host_ns = host_ns;
  item.sequence = next_sequence_++;
  return item;
}

ItemBuffer LiveSequencer::tick(std::int64_t host_ns) {
  ItemBuffer out;
  out.items.push_back(next(ItemKind::tick, 0, 0, host_ns));
  return out;
}

ItemBuffer LiveSequencer::gap(GapReason reason, std::uint64_t count, std::uint8_t source, std::int64_t host_ns) {
  ItemBuffer out;
  out.add_with_payload(next(ItemKind::gap, static_cast<std::uint8_t>(reason), source, host_ns), gap_count_bytes(count));
  return out;
}

ItemBuffer LiveSequencer::recorder_marker(std::int64_t host_ns) {
  ItemBuffer out;
  out.items.push_back(next(ItemKind::gap, static_cast<std::uint8_t>(GapReason::recorder_behind), 0, host_ns));
  out.items.push_back(next(ItemKind::link_note, static_cast<std::uint8_t>(LinkNote::new_epoch), 0, host_ns));
  return out;
}

namespace {

// At the ends of what can be written there is no further time.
std::int64_t shifted(std::int64_t t_ns, std::int64_t by_ns) {
  std::int64_t sum = 0;
  if (__builtin_add_overflow(t_ns, by_ns, &sum)) {
    return by_ns > 0 ? INT64_MAX : INT64_MIN;
  }
  return sum;
}

}  // namespace

void FileStamper::stamp(ItemBuffer& items) {
  for (Item& item : items.items) {
    if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::new_epoch)) {
      last_ns_ = INT64_MIN;
    }
    last_ns_ = std::max(last_ns_, shifted(item.source_ns, shift_ns_));
    item.host_ns = last_ns_;
    item.source = source_;
  }
}

void FileSequencer::hand_on(const Sink& sink) {
  if (!out_.items.empty()) {
    sink(std::exchange(out_, {}));
  }
}

void FileSequencer::add_ticks_up_to(std::int64_t time_ns, const Sink& sink) {
  while (*next_tick_ns_ <= time_ns) {
    Item tick;
    tick.kind = ItemKind::tick;
    tick.source_ns = *next_tick_ns_;
    tick.host_ns = *next_tick_ns_;
    tick.sequence = next_sequence_++;
    out_.items.push_back(tick);
    if (__builtin_add_overflow(*next_tick_ns_, tick_ns, &*next_tick_ns_)) {
      next_tick_ns_ = INT64_MAX;  // the end of time that can be written: no further tick
      return;
    }
    if (out_.items.size() >= batch_items_max) {
      hand_on(sink);
    }
  }
}

void FileSequencer::sequence(const ItemBuffer& items, const Sink& sink) {
  out_.items.reserve(items.items.size() + 16);
  std::span<const Item> rest(items.items);
  while (!rest.empty()) {
    Item first = rest.front();
    if (!next_tick_ns_) {
      next_tick_ns_ = shifted(first.host_ns, tick_ns);
    }
    if (first.host_ns >= *next_tick_ns_ && *next_tick_ns_ != INT64_MAX) {
      add_ticks_up_to(first.host_ns, sink);
    }
    const std::size_t plain = plain_items(rest);
    if (plain > 0) {
      add_plain(rest.first(plain));
    } else {
      first.sequence = next_sequence_++;
      out_.add_copy(first, items.payload);
    }
    rest = rest.subspan(std::max<std::size_t>(plain, 1));
  }
  hand_on(sink);
}

// How many items at the front have no payload and come before the next tick.
std::size_t FileSequencer::plain_items(std::span<const Item> items) const {
  const auto other = std::find_if(items.begin(), items.end(), [&](const Item& item) {
    return item.payload_at != Item::no_payload || item.host_ns >= *next_tick_ns_;
  });
  return static_cast<std::size_t>(other - items.begin());
}

void FileSequencer::add_plain(std::span<const Item> items) {
  const std::size_t before = out_.items.size();
  out_.items.insert(out_.items.end(), items.begin(), items.end());
  for (Item& item : std::span(out_.items).subspan(before)) {
    item.sequence = next_sequence_++;
  }
}

}  // namespace cw
