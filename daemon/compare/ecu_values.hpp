// What the ECU says, by signal: the latest value and when it came.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "signals/signal_map.hpp"

namespace cw {

struct EcuValue {
  double value = 0;                // in our unit of the signal
  std::optional<LockState> state;  // of sync_state
  std::uint64_t bits = 0;          // raw, and how many: of counters
  std::uint32_t length = 0;
  std::int64_t host_ns = 0;  // arrival of the frame
  bool greatest = false;     // of engine_speed: the greatest that the signal can say
};

class EcuValues {
 public:
  explicit EcuValues(const Engine& engine);

  // The signal has come; what the ECU itself does not know replaces what it knew before.
  void set(const SignalReading& reading, std::int64_t host_ns);
  // The latest value, when it is known and at most `age_max_ns` old. `cam`: index in Engine::cams.
  std::optional<EcuValue> young(SignalName name, std::int64_t now_ns, std::int64_t age_max_ns,
                                std::size_t cam = 0) const;
  // Index of a cam by its name in the engine file.
  std::optional<std::size_t> cam_of(const SignalDefinition& signal) const;
  void forget();

 private:
  static constexpr std::size_t names = static_cast<std::size_t>(SignalName::oil_pressure) + 1;
  struct Slot {
    EcuValue value;
    bool known = false;
  };
  Slot* slot(const SignalDefinition& signal);

  const Engine& engine_;
  std::array<Slot, names> slots_{};
  std::vector<Slot> cam_angles_;
  std::vector<Slot> cam_targets_;
};

}  // namespace cw
