// The CAN frames among items as lines of text.
#pragma once

#include <cstdio>
#include <string>
#include <vector>

#include "items/can_frame_text.hpp"

namespace cw::test {

inline std::string hex(std::uint64_t value, int digits) {
  std::array<char, 17> text{};
  std::snprintf(text.data(), text.size(), "%0*llX", digits, static_cast<unsigned long long>(value));
  return text.data();
}

inline std::string data_of(const CanFrame& frame) {
  std::string text;
  for (std::size_t i = 0; !frame.remote && i < frame.length; ++i) {
    text += hex(std::to_integer<unsigned>(frame.data.at(i)), 2);
  }
  return text;
}

// "CHANNEL SOURCE_NS FRAME" each.
inline std::string lines_of_frames(const ItemBuffer& items) {
  std::string lines;
  for (const Item& item : items.items) {
    if (const auto frame = can_frame_of(item, items.payload)) {
      lines +=
          std::to_string(item.channel) + " " + std::to_string(item.source_ns) + " " + can_frame_text(*frame) + "\n";
    }
  }
  return lines;
}

// By number, as they were named.
inline std::vector<std::string> channel_names(const ItemBuffer& items) {
  std::vector<std::string> names;
  for (const Item& item : items.items) {
    if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
      const auto bytes = payload_of(item, items.payload);
      names.resize(std::max<std::size_t>(names.size(), item.channel + 1U));
      names[item.channel].assign(reinterpret_cast<const char*>(bytes.data()), bytes.size());
    }
  }
  return names;
}

// As show() of can_peer.py prints them.
inline std::string frames_as_peer_shows_them(const ItemBuffer& items) {
  const std::vector<std::string> names = channel_names(items);
  std::string lines;
  for (const Item& item : items.items) {
    const auto frame = can_frame_of(item, items.payload);
    if (!frame) {
      continue;
    }
    constexpr std::int64_t ns_per_us = 1000;
    lines += std::to_string(item.source_ns / ns_per_us) + " ";
    if (frame->error) {
      lines += "error\n";
      continue;
    }
    const std::string& name = names.at(item.channel);
    lines += (name == "body" ? "can1" : name) + " " + hex(frame->id, 1) + " " + (frame->extended ? "x" : "s") +
             (frame->remote ? "r" : "") + (frame->fd ? "f" : "") + (frame->bit_rate_switch ? "b" : "") +
             (frame->error_state_indicator ? "e" : "") + " " + std::to_string(frame->length) + " " + data_of(*frame) +
             "\n";
  }
  return lines;
}

}  // namespace cw::test
