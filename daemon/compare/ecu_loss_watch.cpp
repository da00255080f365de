#include "compare/ecu_loss_watch.hpp"

#include <algorithm>
#include <array>
#include <cstddef>
#include <string>
#include <utility>

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;
constexpr double ms_per_ns = 1e-6;
constexpr std::int64_t clock_ns = 50 * ns_per_ms;  // what the clocks of edges and frames may be off
constexpr std::int64_t settle_ns = 300 * ns_per_ms;
constexpr std::int64_t wait_least_ns = 500 * ns_per_ms;
constexpr std::int64_t wait_most_ns = 2'500 * ns_per_ms;
constexpr std::int64_t restart_ns = 1'000 * ns_per_ms;  // within it signs of a restart belong together
constexpr std::size_t odd_max = 256;
constexpr std::size_t decided_max = 16;

bool concerns_signal(FindingKind kind) {
  switch (kind) {
    case FindingKind::sync_lost:
    case FindingKind::extra_edge:
    case FindingKind::missed_edge:
    case FindingKind::noise_burst:
    case FindingKind::crank_signal_stopped:
    case FindingKind::crank_wheel_step:
    case FindingKind::cam_edge_missing:
    case FindingKind::cam_extra_edge:
    case FindingKind::cam_signal_dead:
    case FindingKind::cam_step:
      return true;
    default:
      return false;
  }
}

bool of_cam(FindingKind kind) {
  return kind == FindingKind::cam_edge_missing || kind == FindingKind::cam_extra_edge ||
         kind == FindingKind::cam_signal_dead || kind == FindingKind::cam_step;
}

bool costs_position(FindingKind kind) {
  return kind == FindingKind::sync_lost || kind == FindingKind::crank_signal_stopped;
}

}  // namespace

// A number that goes down is a step over the end of the bits when that step is small beside what the bits hold.
CounterStep counter_step(std::uint64_t before, std::uint64_t after, std::uint32_t bits) {
  if (before == after) {
    return {};
  }
  if (after > before) {
    return {CounterChange::stepped, after - before};
  }
  constexpr std::uint32_t wraps_max_bits = 32;
  const std::uint64_t modulus = std::uint64_t{1} << std::min(bits, wraps_max_bits);
  const std::uint64_t over_end = modulus - std::min(before, modulus) + after;
  const std::uint64_t small = std::max<std::uint64_t>(modulus / 16, 1);
  return bits <= wraps_max_bits && over_end <= small ? CounterStep{CounterChange::stepped, over_end}
                                                     : CounterStep{CounterChange::back, 0};
}

std::int64_t EcuLossWatch::latency_ns() const {
  return static_cast<std::int64_t>(engine_.limits.ecu_latency_ms * ns_per_ms);
}

// Until the witness's findings of that time have come: those of a cam are told a cycle later.
std::int64_t EcuLossWatch::wait_ns(double rpm) const {
  constexpr int turns = 4;
  return std::clamp(latency_ns() + settle_ns + (rpm > 0 ? turns * turn_ns(rpm) : 0), wait_least_ns, wait_most_ns);
}

EcuLossWatch::Loss& EcuLossWatch::begin_loss(std::int64_t from_ns, std::int64_t at_ns, const WitnessPast& past) {
  if (!pending_) {
    Loss loss;
    loss.from_ns = from_ns;
    loss.at_ns = at_ns;
    loss.witness_rpm = past.between(at_ns - latency_ns(), at_ns).rpm_greatest;
    loss.ecu_rpm = speed_ ? speed_->value : 0;
    pending_ = loss;
  }
  pending_->from_ns = std::min(pending_->from_ns, from_ns);
  return *pending_;
}

void EcuLossWatch::take_state(const EcuValue& state, const WitnessPast& past, std::vector<Finding>& out) {
  if (!state.state) {
    return;
  }
  const std::optional<EcuValue> before = std::exchange(state_, state);
  const bool is = is_lock(*state.state);
  if (!before) {
    locked_since_ns_ = state.host_ns;
    if (is) {
      end_outage(state.host_ns, out);
    }
    return;
  }
  state_period_ns_ = state.host_ns - before->host_ns;
  const bool was = is_lock(*before->state);
  if (was && !is) {
    const bool counted = !decided_.empty() && decided_.back().by_count && !decided_.back().by_state &&
                         decided_.back().at_ns >= before->host_ns - latency_ns();
    if (!counted) {
      Loss& loss = begin_loss(before->host_ns, state.host_ns, past);
      loss.by_state = true;
      loss.said = *state.state;
      loss.regained_ns.reset();
    }
  } else if (!was && is) {
    locked_since_ns_ = state.host_ns;
    if (pending_ && pending_->by_state) {
      pending_->regained_ns = state.host_ns;
    } else if (!end_outage(state.host_ns, out)) {
      tell_change(Circumstance::ecu_found_sync, before->host_ns, state.host_ns, past.newest().rpm.value_or(0), out);
    }
  }
}

bool EcuLossWatch::end_outage(std::int64_t host_ns, std::vector<Finding>& out) {
  if (!outage_) {
    return false;
  }
  Finding closing = closed(*std::exchange(outage_, std::nullopt), host_ns);
  closing.values.assign({{"out_of_sync_ms", static_cast<double>(host_ns - closing.start_ns) * ms_per_ns}});
  out.push_back(std::move(closing));
  return true;
}

void EcuLossWatch::take_count(const EcuValue& count, const WitnessPast& past) {
  const std::optional<EcuValue> before = std::exchange(count_, count);
  if (!before) {
    return;
  }
  const CounterStep step = counter_step(before->bits, count.bits, count.length);
  if (step.change == CounterChange::none) {
    return;
  }
  // A counter that is sent more seldom than the state tells later of the same loss.
  if (!pending_ && !decided_.empty() && decided_.back().steps == 0 && !decided_.back().count_back &&
      decided_.back().at_ns >= before->host_ns - latency_ns()) {
    decided_.back().steps = step.steps;
    return;
  }
  Loss& loss = begin_loss(before->host_ns, count.host_ns, past);
  loss.by_count = loss.by_count || step.change == CounterChange::stepped;
  loss.count_back = loss.count_back || step.change == CounterChange::back;
  loss.steps += step.steps;
}

void EcuLossWatch::take_speed(const EcuValue& speed) {
  constexpr double standing_rpm = 1;
  if (speed.value < standing_rpm) {
    standing_ns_ = speed.host_ns;
  }
  if (speed.value >= standing_rpm || !pending_) {
    speed_ = speed;
  }
}

void EcuLossWatch::note(const Finding& finding, std::int64_t host_ns) {
  if (finding.kind == FindingKind::engine_stopped) {
    stopped_ns_ = host_ns;
    return;
  }
  if (finding.phase == FindingPhase::close || !concerns_signal(finding.kind)) {
    return;
  }
  const bool strict = std::ranges::any_of(
      finding.values, [](const auto& value) { return value.first == "strict_counter_lost" && value.second > 0; });
  if (odd_.size() >= odd_max) {
    odd_.pop_front();
  }
  odd_.push_back({host_ns, finding.kind, strict, !strict && finding.kind != FindingKind::sync_lost});
}

void EcuLossWatch::tick(std::int64_t now_ns, const WitnessPast& past, const EcuBroadcastWatch& broadcast,
                        std::vector<Finding>& out) {
  if (pending_ && !must_wait(now_ns, past)) {
    decide(now_ns, past, broadcast, out);
  }
  judge_faults(now_ns, past, out);
}

// While the crank is slow, or when the teeth have stopped, longer: it may be an engine that stops.
bool EcuLossWatch::must_wait(std::int64_t now_ns, const WitnessPast& past) const {
  const std::int64_t waited_ns = now_ns - pending_->at_ns;
  if (waited_ns < wait_ns(pending_->witness_rpm)) {
    return true;
  }
  const bool stop_seen = stopped_ns_ && *stopped_ns_ > pending_->at_ns - decision_ns_max;
  const WitnessSample& now = past.newest();
  const bool may_stop = now.heard && (!is_lock(now.state) || now.rpm.value_or(0) < engine_.limits.running_rpm);
  return may_stop && !stop_seen && waited_ns < decision_ns_max;
}

bool EcuLossWatch::restarted(const EcuBroadcastWatch& broadcast) const {
  const Loss& loss = *pending_;
  const auto near = [&](std::int64_t t_ns) {
    return t_ns >= loss.from_ns - restart_ns && t_ns <= loss.at_ns + restart_ns;
  };
  const bool paused = broadcast.last_pause() && near(broadcast.last_pause()->to_ns);
  const bool stands = standing_ns_ && near(*standing_ns_);
  const bool blank = loss.by_state && (loss.said == LockState::no_signal || loss.said == LockState::searching);
  return (loss.count_back && (paused || stands || loss.by_state)) || (paused && (loss.by_state || stands)) ||
         (loss.by_count && stands && blank && count_ && count_->bits == 0);
}

void EcuLossWatch::decide(std::int64_t now_ns, const WitnessPast& past, const EcuBroadcastWatch& broadcast,
                          std::vector<Finding>& out) {
  const bool cleared = pending_->count_back && !pending_->by_state && !pending_->by_count && !restarted(broadcast);
  if (!cleared) {  // a counter that somebody set back to 0 says nothing
    tell(judge_loss(past, broadcast), now_ns, out);
  }
  if (decided_.size() >= decided_max) {
    decided_.pop_front();
  }
  decided_.push_back(*pending_);
  pending_.reset();
}

Finding EcuLossWatch::judge_loss(const WitnessPast& past, const EcuBroadcastWatch& broadcast) const {
  const Loss& loss = *pending_;
  const double rpm = loss.witness_rpm > 0 ? loss.witness_rpm : loss.ecu_rpm;
  // A strict counter loses sync up to a turn after the odd edge, and says so up to a period and its latency later.
  const std::int64_t odd_from_ns = loss.from_ns - latency_ns() - 2 * turn_ns(rpm) - clock_ns;
  const std::int64_t odd_to_ns = loss.at_ns + clock_ns;
  const WitnessLook look = past.between(loss.from_ns - latency_ns(), loss.at_ns);
  const bool stopping = stopped_ns_ && *stopped_ns_ > loss.at_ns - decision_ns_max;
  const bool turned = look.heard ? look.ever_locked && !stopping : rpm >= engine_.limits.running_rpm;
  const auto odd_in = [&](auto matters) {
    return std::ranges::any_of(
        odd_, [&](const Odd& odd) { return odd.host_ns >= odd_from_ns && odd.host_ns <= odd_to_ns && matters(odd); });
  };
  FindingKind kind = FindingKind::ecu_lost_sync;
  Circumstance seen = Circumstance::odd_at_tap;
  if (restarted(broadcast)) {
    kind = FindingKind::ecu_restarted;
    seen = turned ? Circumstance::any : Circumstance::engine_stands;
  } else if (!turned) {
    kind = FindingKind::ecu_sync_changed;
    seen = Circumstance::ecu_gave_up_sync;
  } else if (odd_in([](const Odd& odd) { return costs_position(odd.kind); })) {
    seen = Circumstance::lost_at_tap;
  } else if (odd_in([](const Odd& odd) { return !of_cam(odd.kind); })) {
    seen = Circumstance::odd_at_tap;
  } else if (odd_in([](const Odd&) { return true; })) {
    seen = Circumstance::cam_odd_at_tap;
  } else if (!look.heard) {
    seen = Circumstance::tap_not_heard;
  } else {
    kind = FindingKind::ecu_lost_sync_on_clean_signal;
    seen = Circumstance::any;
  }
  Finding finding;
  apply(attribute(kind, seen), kind, finding);
  if (rpm > 0) {
    finding.rpm = rpm;
  }
  if (kind == FindingKind::ecu_lost_sync) {
    add_odd(odd_from_ns, odd_to_ns, finding);
  }
  if (kind != FindingKind::ecu_sync_changed) {
    add_supply(loss.at_ns, finding);
  }
  return finding;
}

// Which odd edge came last before it, and how long.
void EcuLossWatch::add_odd(std::int64_t from_ns, std::int64_t to_ns, Finding& finding) const {
  double odd = 0;
  const Odd* last = nullptr;
  for (const Odd& one : odd_) {
    if (one.host_ns >= from_ns && one.host_ns <= to_ns) {
      ++odd;
      last = &one;
    }
  }
  if (last != nullptr) {
    finding.values.emplace_back("odd_signals", odd);
    finding.values.emplace_back("after_odd_signal_ms",
                                static_cast<double>(pending_->at_ns - last->host_ns) * ms_per_ns);
    finding.reason += " (" + std::string(to_string(last->kind)) + ")";
  }
}

// A supply that was down by a fifth of what it had been.
void EcuLossWatch::add_supply(std::int64_t at_ns, Finding& finding) const {
  constexpr std::int64_t dip_ns = 1'000 * ns_per_ms;
  constexpr std::int64_t usual_ns = 5'000 * ns_per_ms;
  constexpr double dip_share = 0.8;
  const auto near = voltage_.between(at_ns - dip_ns, at_ns + dip_ns / 2, dip_ns);
  const auto usual = voltage_.between(at_ns - usual_ns, at_ns, dip_ns);
  if (!near || !usual) {
    return;
  }
  finding.values.emplace_back("battery_least_v", near->least);
  if (near->least < dip_share * usual->greatest) {
    finding.values.emplace_back("battery_before_v", usual->greatest);
    finding.reason += "; the battery voltage that the ECU says fell at that time: suspect its supply first";
  }
}

void EcuLossWatch::tell(Finding finding, std::int64_t now_ns, std::vector<Finding>& out) {
  const Loss& loss = *pending_;
  finding.id = next_id_++;
  finding.clock = "host";
  finding.start_ns = loss.at_ns;
  finding.end_ns = loss.regained_ns.value_or(loss.at_ns);
  if (loss.steps > 0) {
    finding.values.emplace_back("losses_counted", static_cast<double>(loss.steps));
  }
  if (loss.regained_ns) {
    finding.values.emplace_back("out_of_sync_ms", static_cast<double>(*loss.regained_ns - loss.at_ns) * ms_per_ns);
  }
  const bool lasts = loss.by_state && !loss.regained_ns && finding.kind != FindingKind::ecu_sync_changed;
  if (lasts) {
    finding.phase = FindingPhase::open;
    finding.end_ns = now_ns;
    outage_ = finding;
  }
  out.push_back(std::move(finding));
}

void EcuLossWatch::tell_change(Circumstance circumstance, std::int64_t from_ns, std::int64_t at_ns, double rpm,
                               std::vector<Finding>& out) {
  Finding finding;
  apply(attribute(FindingKind::ecu_sync_changed, circumstance), FindingKind::ecu_sync_changed, finding);
  finding.id = next_id_++;
  finding.clock = "host";
  finding.start_ns = from_ns;
  finding.end_ns = at_ns;
  if (rpm > 0) {
    finding.rpm = rpm;
  }
  out.push_back(std::move(finding));
}

// Whether the ECU would have said that it lost sync at that time: it says its state oftener than a turn takes, or it
// counts; and it has said so since.
bool EcuLossWatch::reports(std::int64_t fault_ns, std::int64_t now_ns, double rpm) const {
  const auto says = [&](const std::optional<EcuValue>& value) {
    constexpr std::int64_t fresh_ns = 1'000 * ns_per_ms;
    return value && value->host_ns > fault_ns && now_ns - value->host_ns < fresh_ns;
  };
  if (state_ && (!is_lock(*state_->state) || locked_since_ns_ > fault_ns - clock_ns)) {
    return false;  // it had no sync to lose, or has only just found it
  }
  return says(count_) || (says(state_) && state_period_ns_ <= turn_ns(rpm));
}

void EcuLossWatch::judge_faults(std::int64_t now_ns, const WitnessPast& past, std::vector<Finding>& out) {
  const std::int64_t wait = wait_ns(past.newest().rpm.value_or(0)) + decision_ns_max / 10;
  const auto due = [&](const Odd& odd) { return !odd.judged && now_ns - odd.host_ns >= wait; };
  const auto first = std::ranges::find_if(odd_, due);
  if (first == odd_.end()) {
    return;
  }
  const Odd fault = *first;
  int alike = 0;
  bool we_lost = false;
  for (Odd& odd : odd_) {  // what came within that wait is one with it
    if (!odd.judged && odd.host_ns <= fault.host_ns + wait) {
      odd.judged = true;
      we_lost = we_lost || odd.kind == FindingKind::sync_lost;
      ++alike;
    }
  }
  const auto said = [&](const Loss& loss) {
    return loss.at_ns >= fault.host_ns - clock_ns && loss.from_ns <= fault.host_ns + wait;
  };
  const bool told = outage_ || (pending_ && said(*pending_)) || std::ranges::any_of(decided_, said);
  const WitnessLook look = past.between(fault.host_ns - latency_ns(), fault.host_ns);
  const bool stopping = stopped_ns_ && *stopped_ns_ > fault.host_ns - decision_ns_max;
  if (told || stopping || look.rpm_greatest < engine_.limits.running_rpm ||
      !reports(fault.host_ns, now_ns, look.rpm_greatest)) {
    return;
  }
  tell_missed({fault.host_ns, we_lost ? FindingKind::sync_lost : fault.kind, fault.strict_lost, true}, alike, look,
              now_ns, out);
}

void EcuLossWatch::tell_missed(const Odd& fault, int alike, const WitnessLook& look, std::int64_t now_ns,
                               std::vector<Finding>& out) {
  const Circumstance seen =
      fault.kind == FindingKind::sync_lost ? Circumstance::lost_at_tap : Circumstance::held_at_tap;
  Finding finding;
  apply(attribute(FindingKind::ecu_missed_fault, seen), FindingKind::ecu_missed_fault, finding);
  finding.id = next_id_++;
  finding.clock = "host";
  finding.start_ns = fault.host_ns;
  finding.end_ns = now_ns;
  finding.rpm = look.rpm_greatest;
  finding.values.emplace_back("odd_signals", alike);
  out.push_back(std::move(finding));
}

void EcuLossWatch::break_off() {
  state_.reset();
  count_.reset();
  speed_.reset();
  standing_ns_.reset();
  pending_.reset();
  voltage_.clear();
}

}  // namespace cw
