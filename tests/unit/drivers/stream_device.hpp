// A capture device as the tests see it: the C encoder with a line behind it, and what the decoder makes of the bytes.
#pragma once

#include <gtest/gtest.h>

#include <algorithm>
#include <cstdint>
#include <memory>
#include <string>
#include <tuple>
#include <vector>

#include "drivers/registry.hpp"
#include "encoder_object.h"
#include "feed.hpp"

namespace cw::test {

struct DeviceSettings {
  int form = CWES_BINARY;
  std::uint32_t rate_hz = 1'000'000;
  int width_bits = 32;
  std::size_t ring_size = 65536;
};

class Device {
 public:
  explicit Device(const DeviceSettings& settings) : ring_(settings.ring_size) {
    static const char* const names[] = {"crank", "cam1", "ref"};
    EXPECT_EQ(encoder_init(&encoder_, settings.form, settings.rate_hz, settings.width_bits, names, 3, ring_.data(),
                           ring_.size()),
              1);
  }
  Device(const Device&) = delete;
  Device& operator=(const Device&) = delete;

  bool edge(int channel, bool rising, std::uint64_t ticks) {
    return encoder_edge(&encoder_, channel, rising ? 1 : 0, ticks) == 1;
  }
  void poll(std::uint64_t ticks) { encoder_poll(&encoder_, ticks); }
  void flush() { encoder_flush(&encoder_); }
  void dropped(std::uint32_t count) { encoder_dropped(&encoder_, count); }

  std::string take(std::size_t most = SIZE_MAX) {
    std::string bytes(std::min(most, ring_.size()), '\0');
    bytes.resize(encoder_take(&encoder_, reinterpret_cast<std::uint8_t*>(bytes.data()), bytes.size()));
    return bytes;
  }
  const cwes_encoder& encoder() const { return encoder_; }

 private:
  std::vector<std::uint8_t> ring_;
  cwes_encoder encoder_{};
};

struct SentEdge {
  std::int64_t t_ns = 0;
  int channel = 0;
  bool rising = false;
  friend bool operator==(const SentEdge&, const SentEdge&) = default;
  friend bool operator<(const SentEdge& a, const SentEdge& b) {
    return std::tie(a.t_ns, a.channel, a.rising) < std::tie(b.t_ns, b.channel, b.rising);
  }
};

struct Gap {
  GapReason reason;
  std::int64_t count;  // -1: not known
  friend bool operator==(const Gap&, const Gap&) = default;
};

struct Heard {
  ItemBuffer items;
  bool sound = true;
  std::string error;
  std::uint64_t bad = 0;

  std::vector<SentEdge> edges() const {
    std::vector<SentEdge> edges;
    for (const Item& item : items.items) {
      if (item.kind == ItemKind::edge) {
        edges.push_back({item.source_ns, item.channel, item.code == static_cast<std::uint8_t>(EdgeCode::rising)});
      }
    }
    return edges;
  }
  std::vector<Gap> gaps() const {
    std::vector<Gap> gaps;
    for (const Item& item : items.items) {
      if (item.kind == ItemKind::gap) {
        const auto count = gap_count(payload_of(item, items.payload));
        gaps.push_back({static_cast<GapReason>(item.code), count ? static_cast<std::int64_t>(*count) : -1});
      }
    }
    return gaps;
  }
  std::size_t notes(LinkNote note) const {
    return static_cast<std::size_t>(std::count_if(items.items.begin(), items.items.end(), [&](const Item& item) {
      return item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(note);
    }));
  }
};

template <typename NextSize>
Heard hear(const std::string& bytes, bool live, NextSize next_size) {
  const auto driver = find_driver("stream")->make({"F", live, {}});
  Heard heard;
  heard.sound = feed(*driver, bytes, next_size, heard.items);
  heard.error = driver->error();
  heard.bad = driver->bad_inputs();
  return heard;
}

inline Heard hear(const std::string& bytes, bool live = false) {
  return hear(bytes, live, [&] { return bytes.size(); });
}

}  // namespace cw::test
