#include "compare/witness_past.hpp"

#include <algorithm>

namespace cw {

void WitnessPast::note(const WitnessSample& sample) {
  constexpr std::int64_t step_ns = 10'000'000;
  ever_heard_ = ever_heard_ || sample.heard;
  const bool alike = size_ > 0 && newest_.state == sample.state && newest_.heard == sample.heard &&
                     newest_.rpm.has_value() == sample.rpm.has_value();
  newest_ = sample;
  if (alike && sample.host_ns - samples_[(first_ + size_ - 1) % room].host_ns < step_ns) {
    return;
  }
  if (size_ == room) {
    first_ = (first_ + 1) % room;
    --size_;
  }
  samples_[(first_ + size_) % room] = sample;
  ++size_;
}

WitnessLook WitnessPast::between(std::int64_t from_ns, std::int64_t to_ns) const {
  WitnessLook look;
  bool reached = false;
  bool any = false;
  for (std::size_t i = size_; i > 0 && !reached; --i) {
    const WitnessSample& sample = samples_[(first_ + i - 1) % room];
    if (sample.host_ns > to_ns) {
      continue;
    }
    reached = sample.host_ns <= from_ns;  // it held when the stretch began
    const bool locked = is_lock(sample.state);
    look.heard = sample.heard && (look.heard || !any);
    look.locked = locked && (look.locked || !any);
    look.ever_locked = look.ever_locked || locked;
    look.ever_silent = look.ever_silent || sample.state == LockState::no_signal;
    if (sample.rpm) {
      look.rpm_least = look.rpm_greatest == 0 ? *sample.rpm : std::min(look.rpm_least, *sample.rpm);
      look.rpm_greatest = std::max(look.rpm_greatest, *sample.rpm);
    }
    any = true;
  }
  look.heard = look.heard && reached;
  look.locked = look.locked && reached;
  return look;
}

std::int64_t turn_ns(double rpm) {
  constexpr double rpm_min = 60;
  constexpr double ns_a_minute = 60e9;
  return static_cast<std::int64_t>(ns_a_minute / std::max(rpm, rpm_min));
}

}  // namespace cw
