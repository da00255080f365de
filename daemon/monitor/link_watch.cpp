#include "monitor/link_watch.hpp"

#include <algorithm>

namespace cw {

namespace {

// Gaps that come with a sound frame. Unreadable bytes are no sign of the device.
bool shows_the_device(const Item& item) {
  if (item.kind == ItemKind::gap) {
    const auto reason = static_cast<GapReason>(item.code);
    return reason == GapReason::device_dropped || reason == GapReason::link_lost;
  }
  return item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::heartbeat);
}

// Notes after which nothing is owed, until the next heartbeat.
bool ends_the_promise(const Item& item) {
  if (item.kind != ItemKind::link_note) {
    return false;
  }
  const auto note = static_cast<LinkNote>(item.code);
  return note == LinkNote::connected || note == LinkNote::disconnected || note == LinkNote::end_of_input;
}

}  // namespace

std::vector<LinkWatch::Watched>::iterator LinkWatch::find(std::uint8_t source) {
  return std::find_if(watched_.begin(), watched_.end(), [&](const Watched& one) { return one.source == source; });
}

std::optional<LinkWatch::News> LinkWatch::take(const Item& item) {
  if (shows_the_device(item)) {
    heard(item.source, item.host_ns);
    if (item.kind == ItemKind::link_note && find(item.source) == watched_.end()) {
      watched_.push_back({item.source, item.host_ns, 0, false});
    }
    return std::nullopt;
  }
  const auto known = ends_the_promise(item) ? find(item.source) : watched_.end();
  if (known == watched_.end()) {
    return std::nullopt;
  }
  const Watched ended = *known;
  watched_.erase(known);
  return ended.silent ? std::optional(News{ended.source, false, ended.heard_ns}) : std::nullopt;
}

const std::vector<LinkWatch::News>& LinkWatch::tick() {
  news_.clear();
  for (Watched& one : watched_) {
    const std::int64_t heard_ns = heard_ns_[one.source];
    if (heard_ns != one.heard_ns) {
      one.heard_ns = heard_ns;
      one.silent_ticks = 0;
      if (one.silent) {
        one.silent = false;
        news_.push_back({one.source, false, heard_ns});
      }
    } else if (++one.silent_ticks == silent_ticks_max) {
      one.silent = true;
      news_.push_back({one.source, true, heard_ns});
    } else {
      one.silent_ticks = std::min(one.silent_ticks, silent_ticks_max);
    }
  }
  return news_;
}

std::int64_t LinkWatch::listened_until(int source, std::int64_t host_ns) const {
  const auto known =
      std::find_if(watched_.begin(), watched_.end(), [&](const Watched& one) { return one.source == source; });
  return known == watched_.end() || known->silent ? host_ns : heard_ns_[known->source];
}

}  // namespace cw
