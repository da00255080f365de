// What the witness itself knew over the last seconds, on the host's clock: what the ECU says now is about some moment of
// the recent past, so it is held against all of that.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>

#include "items/observation.hpp"

namespace cw {

struct WitnessSample {
  std::int64_t host_ns = 0;
  LockState state = LockState::no_signal;
  std::optional<double> rpm;  // while locked
  bool heard = false;         // crank edges have come over this link: silence means silence of the signal
};

// Over a stretch of time; of a stretch that the past does not reach, nothing holds.
struct WitnessLook {
  bool heard = false;        // throughout
  bool locked = false;       // throughout
  bool ever_locked = false;  // at some time
  bool ever_silent = false;  // no-signal at some time
  double rpm_least = 0;      // of the times when it was known; 0 when it never was
  double rpm_greatest = 0;
};

class WitnessPast {
 public:
  // In order of time. Samples closer than 10 ms to the last one are passed over, unless something but the speed changed.
  void note(const WitnessSample& sample);

  WitnessLook between(std::int64_t from_ns, std::int64_t to_ns) const;

  // The last one. Default values before the first.
  const WitnessSample& newest() const { return newest_; }
  bool ever_heard() const { return ever_heard_; }

 private:
  static constexpr std::size_t room = 1024;
  std::array<WitnessSample, room> samples_{};
  std::size_t first_ = 0;
  std::size_t size_ = 0;
  WitnessSample newest_;
  bool ever_heard_ = false;
};

// Time of a turn at a speed, bounded to 1 s.
std::int64_t turn_ns(double rpm);

}  // namespace cw
