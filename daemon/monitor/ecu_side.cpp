#include "monitor/ecu_side.hpp"

#include <algorithm>
#include <array>

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;

std::vector<std::string> message_names(const std::vector<BusMap>& maps) {
  std::vector<std::string> names;
  for (const BusMap& bus : maps) {
    for (const MessageDefinition& message : bus.map.messages) {
      names.push_back(message.name);
    }
  }
  return names;
}

}  // namespace

EcuSide::EcuSide(const Engine& engine, std::vector<BusMap> maps, std::uint64_t& next_id)
    : engine_(engine),
      maps_(std::move(maps)),
      values_(engine),
      speed_(engine, next_id),
      sync_(engine, next_id),
      losses_(engine, next_id),
      advance_(engine, next_id),
      cams_(engine, next_id),
      offset_(next_id),
      broadcast_(engine, next_id, message_names(maps_)),
      pairing_(engine) {
  std::size_t messages = 0;
  for (const BusMap& bus : maps_) {
    first_message_.push_back(messages);
    messages += bus.map.messages.size();
    of_unnamed_.push_back(bus.interface.empty());
  }
}

void EcuSide::name_channel(const Item& item, const std::string& name) {
  if (!listens()) {
    return;
  }
  const auto same = [&](const Bus& bus) { return bus.source == item.source && bus.channel == item.channel; };
  std::erase_if(buses_, same);
  Bus bus{item.source, item.channel, {}};
  for (const BusMap& map : maps_) {
    bus.listens.push_back(map.interface.empty() || map.interface == name);
  }
  if (std::ranges::find(bus.listens, true) != bus.listens.end() && bus.listens != of_unnamed_) {
    buses_.push_back(std::move(bus));
  }
}

const std::vector<bool>& EcuSide::listening(const Item& item) const {
  const auto named = std::ranges::find_if(
      buses_, [&](const Bus& bus) { return bus.source == item.source && bus.channel == item.channel; });
  return named == buses_.end() ? of_unnamed_ : named->listens;
}

std::int64_t EcuSide::within_bounds(std::int64_t host_ns) {
  constexpr std::int64_t bound_ns = std::int64_t{1} << 61U;
  return std::clamp(host_ns, -bound_ns, bound_ns);
}

void EcuSide::take(const Item& item, const CanFrame& frame, std::vector<Finding>& out) {
  if (!listens() || frame.error || frame.remote) {
    return;
  }
  const std::int64_t now_ns = time_of(item.host_ns);
  const std::vector<bool>& listened = listening(item);
  for (std::size_t i = 0; i < maps_.size(); ++i) {
    if (!listened[i]) {
      continue;
    }
    const SignalMap& map = maps_[i].map;
    for (std::size_t j = 0; j < map.messages.size(); ++j) {
      if (matches(map.messages[j].ids, frame.id, frame.extended)) {
        source_ = item.source;
        broadcast_.take(first_message_[i] + j, now_ns, rpm_now(), out);
      }
    }
    for (const SignalReading& reading : read_signals(map, frame, readings_)) {
      take_reading(reading, now_ns, out);
    }
  }
}

void EcuSide::take_reading(const SignalReading& reading, std::int64_t host_ns, std::vector<Finding>& out) {
  values_.set(reading, host_ns);
  if (reading.unknown != Unknown::none) {
    return;
  }
  EcuValue value{reading.value, reading.state, reading.bits, reading.signal->coding.field.length, host_ns};
  switch (reading.signal->name) {
    case SignalName::engine_speed: {
      const auto state = values_.young(SignalName::sync_state, host_ns, stale_ns());
      value.greatest = is_greatest(reading);
      speed_.take(value, state && state->state && !is_lock(*state->state));
      losses_.take_speed(value);
      break;
    }
    case SignalName::sync_state:
      losses_.take_state(value, past_, out);
      break;
    case SignalName::sync_loss_count:
      losses_.take_count(value, past_);
      break;
    case SignalName::spark_advance:
      pairing_.note_advance(host_ns, value.value);
      break;
    case SignalName::spark_cut:
    case SignalName::fuel_cut:
      note_cut(value);
      break;
    case SignalName::trigger_offset:
      offset_.take(value, rpm_now(), out);
      break;
    case SignalName::battery_voltage:
      losses_.take_voltage(value);
      break;
    default:
      break;
  }
}

void EcuSide::note_cut(const EcuValue& cut) {
  if (cut.value > 0) {
    pairing_.note_cut(cut.host_ns);
  }
}

void EcuSide::break_off(int source) {
  if (source_ != source) {
    return;
  }
  values_.forget();
  speed_.break_off();
  losses_.break_off();
  offset_.forget();
  broadcast_.break_off();
  pairing_.break_off();
  advance_.suspend();
}

void EcuSide::note_witness(WitnessSample sample) {
  sample.host_ns = time_of(sample.host_ns);
  past_.note(sample);
}

void EcuSide::break_off_witness() {
  speed_.break_off();
  cams_.break_off();
  pairing_.break_off();
  advance_.suspend();
}

std::optional<double> EcuSide::said(SignalName name, std::int64_t now_ns, std::size_t cam) const {
  const auto value = values_.young(name, within_bounds(now_ns), stale_ns(), cam);
  return value ? std::optional(value->value) : std::nullopt;
}

std::int64_t EcuSide::stale_ns() const {
  return static_cast<std::int64_t>(engine_.limits.ecu_stale_ms * ns_per_ms);
}

std::optional<double> EcuSide::rpm_now() const {
  return past_.newest().rpm;
}

// By the teeth; where there are none, by what the ECU said last.
Turning EcuSide::turning(std::int64_t now_ns) const {
  if (past_.newest().heard) {
    return past_.newest().state == LockState::no_signal ? Turning::stands : Turning::turns;
  }
  constexpr std::int64_t minute_ns = 60'000 * ns_per_ms;
  const auto speed = values_.young(SignalName::engine_speed, now_ns, minute_ns);
  if (!speed) {
    return Turning::unknown;
  }
  return speed->value < 1 ? Turning::stands : Turning::turns;
}

void EcuSide::tick(std::int64_t host_ns, std::vector<Finding>& out) {
  if (!listens() || !broadcast_.any_frame()) {
    return;
  }
  const std::int64_t now_ns = time_of(host_ns);
  const auto state = values_.young(SignalName::sync_state, now_ns, stale_ns());
  const auto speed = values_.young(SignalName::engine_speed, now_ns, stale_ns());
  broadcast_.tick(now_ns, turning(now_ns), rpm_now(), out);
  speed_.tick(now_ns, past_, out);
  losses_.tick(now_ns, past_, broadcast_, out);
  sync_.tick(now_ns, state, speed, losses_.outage(), past_, out);
  cams_.tick(now_ns, values_, past_, out);
  pair_pulses(now_ns, out);
  const std::array compared = {speed_.take_compared(), sync_.take_compared(), advance_.take_compared(),
                               cams_.take_compared()};
  compared_ = compared_ || std::ranges::find(compared, true) != compared.end();
}

void EcuSide::pair_pulses(std::int64_t now_ns, std::vector<Finding>& out) {
  while (const auto pair = pairing_.next(now_ns)) {
    if (!engine_.reference->advance_from.empty()) {
      pairs_.push_back(*pair);
      compared_ = true;
    } else {
      advance_.take(*pair, out);
    }
  }
}

void EcuSide::fill(Second& row, std::int64_t host_ns) {
  if (!listens()) {
    return;
  }
  const std::int64_t now_ns = within_bounds(host_ns);
  if (const auto speed = values_.young(SignalName::engine_speed, now_ns, stale_ns())) {
    row.ecu_rpm = speed->value;
  }
  if (const auto state = values_.young(SignalName::sync_state, now_ns, stale_ns())) {
    row.ecu_state = state->state;
  }
  if (const auto advance = values_.young(SignalName::spark_advance, now_ns, stale_ns())) {
    row.ecu_advance_deg = advance->value;
  }
  const bool disagrees = speed_.open() || sync_.open() || advance_.open() || cams_.open() || losses_.disagrees();
  if (std::exchange(compared_, false)) {
    row.ecu_agrees = !disagrees;
  }
}

}  // namespace cw
