// The sync state that the ECU broadcasts against the witness's, where they differ for long. What it loses at once is
// EcuLossWatch's.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "compare/attribution.hpp"
#include "compare/ecu_values.hpp"
#include "compare/held_condition.hpp"
#include "compare/witness_past.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

class EcuSyncWatch {
 public:
  EcuSyncWatch(const Engine& engine, std::uint64_t& next_id) : engine_(engine), next_id_(next_id) {}

  // `state`: what the ECU says, when that is young. `outage_told`: that it has lost sync is told already.
  void tick(std::int64_t now_ns, const std::optional<EcuValue>& state, const std::optional<EcuValue>& speed,
            bool outage_told, const WitnessPast& past, std::vector<Finding>& out);

  bool open() const;
  // The ECU has sync and a speed, or says a speed and no state, and no edge comes at our tap: told, and not over.
  bool turns_alone() const { return cases_[2].condition.open(); }
  bool take_compared() { return std::exchange(compared_, false); }

 private:
  static constexpr std::size_t cases = 3;
  struct Case {
    HeldCondition condition;
    std::optional<Finding> told;
  };
  struct Moment {
    std::int64_t now_ns = 0;
    std::int64_t hold_ns = 0;
    double rpm = 0;
    const WitnessSample& witness;
  };
  void tick_state(const Moment& moment, const EcuValue& state, bool outage_told, const WitnessLook& look,
                  std::vector<Finding>& out);
  void judge_case(std::size_t which, bool disagree, const Moment& moment, const std::optional<LockState>& state,
                  std::vector<Finding>& out);

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::array<Case, cases> cases_{};
  bool was_running_ = false;  // at the last tick
  bool compared_ = false;
};

}  // namespace cw
