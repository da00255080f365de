// Sync that the ECU loses: by its state or its counter, held against what the signal was like at our tap at that time.
// Either side may come first, so each is waited for; the wait is bounded (decision_ns_max).
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

#include "compare/attribution.hpp"
#include "compare/ecu_broadcast_watch.hpp"
#include "compare/ecu_values.hpp"
#include "compare/recent.hpp"
#include "compare/witness_past.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

// What happened to a counter of so many bits between two readings.
enum class CounterChange : std::uint8_t {
  none,
  stepped,  // up, over the end of its bits too when that is a small step
  back      // to a smaller number: cleared, or begun anew
};
struct CounterStep {
  CounterChange change = CounterChange::none;
  std::uint64_t steps = 0;  // of stepped
};
CounterStep counter_step(std::uint64_t before, std::uint64_t after, std::uint32_t bits);

class EcuLossWatch {
 public:
  static constexpr std::int64_t decision_ns_max = 3'000'000'000;

  EcuLossWatch(const Engine& engine, std::uint64_t& next_id) : engine_(engine), next_id_(next_id) {}

  // What the ECU says, as it comes.
  void take_state(const EcuValue& state, const WitnessPast& past, std::vector<Finding>& out);
  void take_count(const EcuValue& count, const WitnessPast& past);
  void take_speed(const EcuValue& speed);
  void take_voltage(const EcuValue& voltage) { voltage_.add(voltage.host_ns, voltage.value); }

  // What the witness found at `host_ns`; kinds that say nothing of the signal are passed over.
  void note(const Finding& finding, std::int64_t host_ns);

  void tick(std::int64_t now_ns, const WitnessPast& past, const EcuBroadcastWatch& broadcast,
            std::vector<Finding>& out);
  // The broadcast is broken off: what it says next is no change of what it said.
  void break_off();

  // The ECU has said that it lost sync, it is told or waits to be, and it has not said that it is back.
  bool outage() const { return outage_.has_value() || (pending_ && !pending_->regained_ns); }
  // The outage is one that our tap gives no reason for.
  bool disagrees() const { return outage_ && outage_->kind == FindingKind::ecu_lost_sync_on_clean_signal; }

 private:
  struct Loss {
    std::int64_t from_ns = 0;  // when the ECU last said that all was well
    std::int64_t at_ns = 0;    // ... and first that it was not
    bool by_state = false;
    bool by_count = false;
    bool count_back = false;
    std::uint64_t steps = 0;
    LockState said = LockState::lost;
    std::optional<std::int64_t> regained_ns;
    double witness_rpm = 0;  // at that time; 0: not known
    double ecu_rpm = 0;      // before it
  };
  struct Odd {
    std::int64_t host_ns = 0;
    FindingKind kind = FindingKind::extra_edge;
    bool strict_lost = false;  // a counter that only counts teeth lost sync over it
    bool judged = false;       // whether the ECU said so
  };

  bool end_outage(std::int64_t host_ns, std::vector<Finding>& out);
  Loss& begin_loss(std::int64_t from_ns, std::int64_t at_ns, const WitnessPast& past);
  std::int64_t latency_ns() const;
  std::int64_t wait_ns(double rpm) const;
  bool must_wait(std::int64_t now_ns, const WitnessPast& past) const;
  bool restarted(const EcuBroadcastWatch& broadcast) const;
  void decide(std::int64_t now_ns, const WitnessPast& past, const EcuBroadcastWatch& broadcast,
              std::vector<Finding>& out);
  Finding judge_loss(const WitnessPast& past, const EcuBroadcastWatch& broadcast) const;
  void add_odd(std::int64_t from_ns, std::int64_t to_ns, Finding& finding) const;
  void add_supply(std::int64_t at_ns, Finding& finding) const;
  void tell(Finding finding, std::int64_t now_ns, std::vector<Finding>& out);
  void tell_change(Circumstance circumstance, std::int64_t from_ns, std::int64_t at_ns, double rpm,
                   std::vector<Finding>& out);
  void judge_faults(std::int64_t now_ns, const WitnessPast& past, std::vector<Finding>& out);
  bool reports(std::int64_t fault_ns, std::int64_t now_ns, double rpm) const;
  void tell_missed(const Odd& fault, int alike, const WitnessLook& look, std::int64_t now_ns,
                   std::vector<Finding>& out);

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::optional<EcuValue> state_;  // the last known
  std::optional<EcuValue> count_;
  std::optional<EcuValue> speed_;
  std::int64_t state_period_ns_ = 0;         // between the last two
  std::int64_t locked_since_ns_ = 0;         // of the ECU's state
  std::optional<std::int64_t> standing_ns_;  // when the ECU last said that the engine stands
  Recent<128> voltage_{50'000'000, 0.2};
  std::deque<Odd> odd_;
  std::optional<std::int64_t> stopped_ns_;  // last edge before the engine stopped
  std::optional<Loss> pending_;
  std::optional<Finding> outage_;
  std::deque<Loss> decided_;  // the last few
};

}  // namespace cw
