// Whether a source that promised to be heard is still heard. One that sends heartbeats (drivers/EDGE_STREAM.md) owes a
// frame of some kind at least once a second; when nothing of it can be read for longer though its link is open, the
// link or the device is dead, and silence says nothing about the engine. A source without heartbeats can't be judged.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "items/item.hpp"

namespace cw {

class LinkWatch {
 public:
  // Two frames in a row that were due and half a second. Ticks are counted, not time: when this program was held up,
  // there were no ticks either.
  static constexpr int silent_ticks_max = 25;

  struct News {
    std::uint8_t source = 0;
    bool silent = false;        // it has fallen silent; false: it is heard again, or its link was told otherwise
    std::int64_t since_ns = 0;  // silent: host time when it was heard last
  };

  // An edge came: something was heard of `source`.
  void heard(std::uint8_t source, std::int64_t host_ns) { heard_ns_[source] = host_ns; }
  // Any item that is neither an edge nor a tick. News when it ends a silence at once.
  std::optional<News> take(const Item& item);
  // Host time goes on: what has changed. Valid until the next call.
  const std::vector<News>& tick();

  // Up to when silence of `source` is silence of the engine: `host_ns`, or when a source that sends heartbeats was heard
  // last, unless it has been told as silent.
  std::int64_t listened_until(int source, std::int64_t host_ns) const;

 private:
  struct Watched {
    std::uint8_t source = 0;
    std::int64_t heard_ns = 0;
    int silent_ticks = 0;
    bool silent = false;
  };
  std::vector<Watched>::iterator find(std::uint8_t source);

  std::array<std::int64_t, 256> heard_ns_{};  // by source
  std::vector<Watched> watched_;              // those that have sent a heartbeat
  std::vector<News> news_;
};

}  // namespace cw
