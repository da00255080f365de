// From the clock of the timing source to the host's as long as there is no fit of it (clock_watch.hpp): the least of host
// less source over the last 10 to 20 s of ticks, since a stamp can only come late: right to what the link takes at least.
#pragma once

#include <algorithm>
#include <cstdint>
#include <limits>
#include <optional>

namespace cw {

class HostTime {
 public:
  // An edge's time on both clocks.
  void note(std::int64_t source_ns, std::int64_t host_ns) {
    constexpr std::int64_t window_ns = 10'000'000'000;
    const auto delay = static_cast<std::int64_t>(static_cast<std::uint64_t>(host_ns) -
                                                 static_cast<std::uint64_t>(source_ns));  // wraps, and back again
    if (!least_ || host_ns < since_ns_ || host_ns > since_end_ns_) {
      before_ = least_;
      least_.reset();
      since_ns_ = host_ns;
      since_end_ns_ = host_ns > std::numeric_limits<std::int64_t>::max() - window_ns ? host_ns : host_ns + window_ns;
    }
    least_ = std::min(least_.value_or(delay), delay);
  }
  // The source's clock starts afresh.
  void forget() {
    least_.reset();
    before_.reset();
  }

  // Nothing before the first edge.
  std::optional<std::int64_t> host_of(std::int64_t source_ns) const {
    if (!least_) {
      return std::nullopt;
    }
    const std::int64_t delay = std::min(*least_, before_.value_or(*least_));
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(source_ns) + static_cast<std::uint64_t>(delay));
  }

 private:
  std::optional<std::int64_t> least_;
  std::optional<std::int64_t> before_;  // of the window before
  std::int64_t since_ns_ = 0;
  std::int64_t since_end_ns_ = 0;
};

}  // namespace cw
