#include "drivers/edge_stream_clock.hpp"

#include <algorithm>

namespace cw {

namespace {

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::int64_t seconds_max = (std::int64_t{1} << 62) / ns_per_s;  // 146 years
constexpr std::int64_t silence_max_s = 10;

}  // namespace

void StreamClock::begin(const StreamSetup& setup, std::uint64_t counter) {
  begin_again(setup, counter, 0);
  if (counter / setup.rate_hz < static_cast<std::uint64_t>(seconds_max)) {
    ticks_ = static_cast<std::int64_t>(counter);
  }
}

void StreamClock::begin_again(const StreamSetup& setup, std::uint64_t counter, std::int64_t from_ns) {
  mask_ = setup.mask();
  rate_hz_ = setup.rate_hz;
  counter_ = counter;
  ticks_ = 0;
  origin_ns_ = from_ns;
}

std::int64_t StreamClock::step_to(std::uint64_t counter) const {
  const std::uint64_t forward = (counter - counter_) & mask_;
  if (forward > mask_ - (mask_ >> 3U)) {
    return -static_cast<std::int64_t>(mask_ - forward) - 1;
  }
  return static_cast<std::int64_t>(std::min<std::uint64_t>(forward, INT64_MAX));
}

bool StreamClock::plausible(std::int64_t step, unsigned lost) const {
  return step <= silence_max_s * rate_hz_ * (std::int64_t{lost} + 1) && step > -rate_hz_ &&
         now_ns() / ns_per_s < seconds_max;
}

bool StreamClock::wraps_are_known(unsigned lost) const {
  // A device sends a frame each second and each quarter wrap at least.
  const std::uint64_t beat = std::min(static_cast<std::uint64_t>(rate_hz_), mask_ / 4 + 1);
  return lost == 0 || (std::uint64_t{lost} + 1) * beat < mask_;
}

std::int64_t StreamClock::time_ns(std::int64_t step) const {
  const std::int64_t ticks = ticks_ + step;
  std::int64_t seconds = ticks / rate_hz_;
  std::int64_t rest = ticks % rate_hz_;
  if (rest < 0) {
    --seconds;
    rest += rate_hz_;
  }
  return origin_ns_ + seconds * ns_per_s + rest * ns_per_s / rate_hz_;
}

void StreamClock::advance(std::int64_t step) {
  ticks_ += step;
  counter_ = (counter_ + static_cast<std::uint64_t>(step)) & mask_;
}

}  // namespace cw
