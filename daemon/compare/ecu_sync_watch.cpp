#include "compare/ecu_sync_watch.hpp"

#include <algorithm>
#include <string>

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;
constexpr std::int64_t turns_to_lock = 8;  // so long an ECU, or the witness, may take that begins to look
constexpr std::int64_t long_ns = 3'000 * ns_per_ms;
// On a slow crank the witness is careful, and finds its place seconds after an ECU that takes the first gap it sees.
constexpr std::int64_t cranking_ns = 15'000 * ns_per_ms;
constexpr std::array circumstances = {Circumstance::ecu_without_sync, Circumstance::ecu_alone_in_sync,
                                      Circumstance::ecu_turns_alone};

}  // namespace

void EcuSyncWatch::tick(std::int64_t now_ns, const std::optional<EcuValue>& state, const std::optional<EcuValue>& speed,
                        bool outage_told, const WitnessPast& past, std::vector<Finding>& out) {
  const Limits& limits = engine_.limits;
  const WitnessSample& witness = past.newest();
  const bool says_state = state && state->state;
  if (!witness.heard || !(says_state || speed)) {
    for (Case& one : cases_) {
      one.condition.suspend();
    }
    return;
  }
  const auto latency_ns = static_cast<std::int64_t>(limits.ecu_latency_ms * ns_per_ms);
  const auto hold_ns = static_cast<std::int64_t>(limits.ecu_hold_ms * ns_per_ms);
  const WitnessLook look = past.between((says_state ? state : speed)->host_ns - latency_ns, now_ns);
  if (says_state) {
    compared_ = true;
    const double rpm = witness.rpm.value_or(speed ? speed->value : 0.0);
    tick_state({now_ns, hold_ns, rpm, witness}, *state, outage_told, look, out);
  }
  const bool in_sync = !says_state || is_lock(*state->state);
  const bool turning = in_sync && (!speed || speed->value > limits.running_rpm);
  // An ECU that says no state may hold the last speed for a second after its teeth have stopped (common practice, no
  // source).
  judge_case(2, turning && !look.ever_locked && witness.state == LockState::no_signal,
             {now_ns, says_state ? hold_ns : 2 * hold_ns, 0, witness},
             says_state ? state->state : std::optional<LockState>(), out);
}

void EcuSyncWatch::tick_state(const Moment& moment, const EcuValue& state, bool outage_told, const WitnessLook& look,
                              std::vector<Finding>& out) {
  const bool ecu_locked = is_lock(*state.state);
  const std::int64_t locking_ns = std::max(moment.hold_ns, turns_to_lock * turn_ns(moment.rpm));
  Moment now = moment;
  now.hold_ns = locking_ns;
  judge_case(0, !ecu_locked && look.locked && !outage_told, now, state.state, out);
  const bool searching = !look.ever_locked && !look.ever_silent;
  const bool running = moment.rpm >= engine_.limits.running_rpm;
  if (running && !was_running_ && !cases_[1].condition.open()) {
    cases_[1].condition.suspend();  // what was searched while cranking counts for nothing here
  }
  was_running_ = running;
  now.hold_ns = std::max(locking_ns, running ? long_ns : cranking_ns);
  judge_case(1, ecu_locked && searching, now, state.state, out);
}

void EcuSyncWatch::judge_case(std::size_t which, bool disagree, const Moment& moment,
                              const std::optional<LockState>& state, std::vector<Finding>& out) {
  Case& one = cases_.at(which);
  // What agrees again is over at once, but for a value that is only about to come.
  const std::int64_t held_ns =
      one.condition.open() ? static_cast<std::int64_t>(engine_.limits.ecu_latency_ms * ns_per_ms) : moment.hold_ns;
  const HeldCondition::News news =
      one.condition.take(disagree ? Judgement::beyond : Judgement::within, moment.now_ns, held_ns);
  if (news == HeldCondition::News::closed && one.told) {
    out.push_back(closed(*std::exchange(one.told, std::nullopt), moment.now_ns));
  }
  if (news != HeldCondition::News::opened) {
    return;
  }
  Finding finding;
  apply(attribute(FindingKind::ecu_sync_disagrees, circumstances.at(which)), FindingKind::ecu_sync_disagrees, finding);
  finding.id = next_id_++;
  finding.phase = FindingPhase::open;
  finding.clock = "host";
  finding.start_ns = one.condition.since_ns();
  finding.end_ns = moment.now_ns;
  finding.rpm = moment.witness.rpm;
  const std::string said = state ? "the ECU says " + std::string(to_string(*state)) : "the ECU says its speed";
  finding.reason += " (" + said + ", the witness " + std::string(to_string(moment.witness.state)) + ")";
  one.told = finding;
  out.push_back(std::move(finding));
}

bool EcuSyncWatch::open() const {
  return std::ranges::any_of(cases_, [](const Case& one) { return one.condition.open(); });
}

}  // namespace cw
