// A device's counter, which wraps, as source time, which does not: exact, without drift, however long.
#pragma once

#include <cstdint>

#include "drivers/edge_stream_frame.hpp"

namespace cw {

class StreamClock {
 public:
  // The first epoch: source time is the counter's own, ticks * 1e9 / rate (from 0 when that is beyond 146 years).
  void begin(const StreamSetup& setup, std::uint64_t counter);
  // A later epoch, with its counter anywhere: source time goes on from `from_ns`.
  void begin_again(const StreamSetup& setup, std::uint64_t counter, std::int64_t from_ns);

  // Ticks from the clock to `counter`, the nearest that fits: up to seven eighths of a wrap forward, else back.
  std::int64_t step_to(std::uint64_t counter) const;
  // Whether a step fits frames that follow each other with `lost` frames missing between them: at most 10 s each.
  bool plausible(std::int64_t step, unsigned lost) const;
  // Whether the counter may have wrapped unseen when `lost` frames are missing.
  bool wraps_are_known(unsigned lost) const;

  // Source time in ns of the instant `step` ticks after the clock, rounded down.
  std::int64_t time_ns(std::int64_t step) const;
  std::int64_t now_ns() const { return time_ns(0); }
  void advance(std::int64_t step);

 private:
  std::uint64_t mask_ = UINT64_MAX;
  std::int64_t rate_hz_ = 1;
  std::uint64_t counter_ = 0;
  std::int64_t ticks_ = 0;  // since the origin
  std::int64_t origin_ns_ = 0;
};

}  // namespace cw
