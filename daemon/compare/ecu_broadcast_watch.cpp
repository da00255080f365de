#include "compare/ecu_broadcast_watch.hpp"

#include <algorithm>
#include <utility>

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;
constexpr double ms_per_ns = 1e-6;
constexpr std::int64_t silent_periods = 10;
constexpr std::int64_t pause_periods = 5;
constexpr std::int64_t alone_ns = 250 * ns_per_ms;
constexpr std::int64_t pause_least_ns = 100 * ns_per_ms;

std::int64_t median_of(std::array<std::int64_t, 32> sorted) {
  std::ranges::sort(sorted);
  return sorted[sorted.size() / 2];
}

}  // namespace

EcuBroadcastWatch::EcuBroadcastWatch(const Engine& engine, std::uint64_t& next_id, std::vector<std::string> names)
    : engine_(engine), next_id_(next_id) {
  for (std::string& name : names) {
    messages_.emplace_back().name = std::move(name);
  }
}

// A message that comes regularly: most of its intervals are near the median. One that is sent on request or when
// something changes is not expected at any time.
void EcuBroadcastWatch::learn(Message& message, std::optional<double> rpm) const {
  const std::int64_t median = median_of(message.intervals_ns);
  const auto near = std::ranges::count_if(
      message.intervals_ns, [&](std::int64_t interval) { return interval >= median / 2 && interval <= 2 * median; });
  constexpr std::ptrdiff_t near_min = 28;
  if (near >= near_min && median > 0) {
    message.period_ns = median;
    message.learned_rpm = rpm;
  } else {
    message.count = 0;
  }
}

void EcuBroadcastWatch::take(std::size_t number, std::int64_t host_ns, std::optional<double> rpm,
                             std::vector<Finding>& out) {
  Message& message = messages_.at(number);
  if (const auto period = period_ns(); period && newest_ns_) {
    const std::int64_t away_ns = host_ns - *newest_ns_;
    if (away_ns > std::max(pause_periods * *period, pause_least_ns)) {
      last_pause_ = Pause{*newest_ns_, host_ns};
    }
  }
  newest_ns_ = host_ns;
  for (std::optional<Finding>* told : {&message.told_silent, &told_silent_}) {
    if (*told) {
      out.push_back(closed(*std::exchange(*told, std::nullopt), host_ns));
    }
  }
  if (message.last_ns) {
    message.intervals_ns[message.count++ % window] = host_ns - *message.last_ns;
    if (!message.period_ns && message.count == window) {
      learn(message, rpm);
    }
  }
  message.last_ns = host_ns;
}

std::optional<std::int64_t> EcuBroadcastWatch::period_ns() const {
  std::optional<std::int64_t> least;
  for (const Message& message : messages_) {
    if (message.period_ns) {
      least = std::min(least.value_or(*message.period_ns), *message.period_ns);
    }
  }
  return least;
}

std::int64_t EcuBroadcastWatch::silence_ns(std::int64_t period_ns) const {
  return std::max(static_cast<std::int64_t>(engine_.limits.ecu_silent_ms * ns_per_ms), silent_periods * period_ns);
}

Finding EcuBroadcastWatch::finding(Circumstance circumstance, const Message* message, std::int64_t from_ns,
                                   std::int64_t now_ns) {
  Finding made;
  apply(attribute(FindingKind::ecu_silent, circumstance), FindingKind::ecu_silent, made);
  made.id = next_id_++;
  made.phase = FindingPhase::open;
  made.clock = "host";
  made.start_ns = from_ns;
  made.end_ns = now_ns;
  made.values.emplace_back("silent_ms", static_cast<double>(now_ns - from_ns) * ms_per_ns);
  if (message != nullptr) {
    made.reason += " (message \"" + message->name + "\")";
    made.values.emplace_back("period_ms", static_cast<double>(message->period_ns.value_or(0)) * ms_per_ns);
  }
  return made;
}

void EcuBroadcastWatch::tick(std::int64_t now_ns, Turning turning, std::optional<double> rpm,
                             std::vector<Finding>& out) {
  // When all were silent the slow ones get their time anew.
  const auto silent = [&](const Message& message) {
    return message.last_ns && message.period_ns &&
           now_ns - std::max(*message.last_ns, last_pause_ ? last_pause_->to_ns : *message.last_ns) >
               silence_ns(*message.period_ns);
  };
  // Silence of all is told by the fastest message: a slow one must not hold it up.
  const std::optional<std::int64_t> fastest_ns = period_ns();
  const bool all = fastest_ns && newest_ns_ && now_ns - *newest_ns_ > silence_ns(*fastest_ns);
  if (all && !told_silent_) {
    const Circumstance seen = turning == Turning::stands ? Circumstance::engine_stands : Circumstance::any;
    told_silent_ = finding(seen, nullptr, newest_ns_.value_or(now_ns), now_ns);
    out.push_back(*told_silent_);
  }
  for (Message& message : messages_) {
    // Others come: when all stop at once they are not silent at the same tick.
    if (now_ns - newest_ns_.value_or(now_ns) < alone_ns && silent(message) && !message.told_silent) {
      message.told_silent = finding(Circumstance::one_message, &message, *message.last_ns, now_ns);
      out.push_back(*message.told_silent);
    }
    tick_late(message, now_ns, rpm, out);
  }
}

// More than half of the last intervals are twice as long as they were.
void EcuBroadcastWatch::tick_late(Message& message, std::int64_t now_ns, std::optional<double> rpm,
                                  std::vector<Finding>& out) {
  if (!message.period_ns || message.count < 2 * window || message.told_silent || told_silent_) {
    message.late.suspend();
    return;
  }
  constexpr double slower = 0.75;  // a message that is sent in step with the engine comes more seldom then
  if (message.learned_rpm && rpm && *rpm < *message.learned_rpm * slower && !message.late.open()) {
    message.late.suspend();
    return;
  }
  const std::int64_t now_period_ns = median_of(message.intervals_ns);
  const auto limit = static_cast<double>(2 * *message.period_ns);
  const auto hold_ns = static_cast<std::int64_t>(engine_.limits.ecu_hold_ms * ns_per_ms);
  constexpr double hysteresis = 0.75;
  const HeldCondition::News news =
      message.late.take(judge(static_cast<double>(now_period_ns), limit, hysteresis), now_ns, hold_ns);
  if (news == HeldCondition::News::closed && message.told_late) {
    out.push_back(closed(*std::exchange(message.told_late, std::nullopt), now_ns));
  }
  if (news == HeldCondition::News::opened) {
    message.told_late = finding(Circumstance::broadcast_late, &message, message.late.since_ns(), now_ns);
    message.told_late->values.front() = {"now_ms", static_cast<double>(now_period_ns) * ms_per_ns};
    out.push_back(*message.told_late);
  }
}

void EcuBroadcastWatch::break_off() {
  for (Message& message : messages_) {
    message.last_ns.reset();
    message.count = 0;
    message.period_ns.reset();
    message.late.suspend();
  }
  newest_ns_.reset();
  last_pause_.reset();
}

}  // namespace cw
