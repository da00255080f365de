#include "monitor/bus_watch.hpp"

namespace cw {

namespace {

// linux/can/error.h, which a pure folder does not include; a test compares.
constexpr std::uint32_t controller_class = 0x004;
constexpr std::uint32_t protocol_class = 0x008;
constexpr std::uint32_t transceiver_class = 0x010;
constexpr std::uint32_t no_acknowledge_class = 0x020;
constexpr std::uint32_t bus_off_class = 0x040;
constexpr std::uint32_t bus_error_class = 0x080;
constexpr std::uint32_t restarted_class = 0x100;
constexpr std::uint32_t counters_class = 0x200;
constexpr std::uint32_t transmit_timeout_class = 0x001;
constexpr std::uint32_t lost_arbitration_class = 0x002;

constexpr std::size_t controller_byte = 1;
constexpr unsigned receive_overflow_bit = 0x01;
constexpr unsigned transmit_overflow_bit = 0x02;
constexpr unsigned warning_bits = 0x04 | 0x08;
constexpr unsigned passive_bits = 0x10 | 0x20;
constexpr unsigned active_bit = 0x40;

constexpr std::size_t transmit_count_byte = 6;
constexpr std::size_t receive_count_byte = 7;

unsigned controller_bits(const CanFrame& frame) {
  return (frame.id & controller_class) != 0 ? std::to_integer<unsigned>(frame.data[controller_byte]) : 0;
}

// Any two times, also one that lies before the other.
bool is_quiet_since(std::int64_t last_ns, std::int64_t now_ns) {
  return now_ns > last_ns && static_cast<std::uint64_t>(now_ns) - static_cast<std::uint64_t>(last_ns) >=
                                 static_cast<std::uint64_t>(BusWatch::quiet_ns);
}

bool is_state(Circumstance what) {
  return what == Circumstance::bus_off || what == Circumstance::bus_passive || what == Circumstance::bus_warning;
}

}  // namespace

std::vector<Circumstance> bus_troubles(const CanFrame& frame) {
  std::vector<Circumstance> found;
  if (!frame.error) {
    return found;
  }
  const auto add = [&](bool seen, Circumstance what) {
    if (seen) {
      found.push_back(what);
    }
  };
  const unsigned bits = controller_bits(frame);
  add((frame.id & bus_off_class) != 0, Circumstance::bus_off);
  add((bits & passive_bits) != 0, Circumstance::bus_passive);
  add((bits & warning_bits) != 0, Circumstance::bus_warning);
  add((frame.id & no_acknowledge_class) != 0, Circumstance::bus_no_acknowledge);
  add((frame.id & (protocol_class | bus_error_class)) != 0, Circumstance::bus_errors);
  add((bits & receive_overflow_bit) != 0, Circumstance::bus_overflow);
  add((frame.id & transceiver_class) != 0, Circumstance::bus_transceiver);
  add((frame.id & restarted_class) != 0, Circumstance::bus_restarted);
  const bool unspecified = (frame.id & controller_class) != 0 && bits == 0;
  const std::uint32_t sending = transmit_timeout_class | lost_arbitration_class;
  add((frame.id & sending) != 0 || (bits & transmit_overflow_bit) != 0 || unspecified, Circumstance::bus_other);
  return found;
}

Finding BusWatch::finding(const Item& item, const CanFrame& frame, Circumstance what) {
  Finding made;
  apply(attribute(FindingKind::bus_trouble, what), FindingKind::bus_trouble, made);
  made.id = next_id_++;
  made.clock = "host";
  made.start_ns = item.host_ns;
  made.end_ns = item.host_ns;
  made.channel = names_[{item.source, item.channel}];
  made.values.emplace_back("source", item.source);
  if ((frame.id & counters_class) != 0) {
    made.values.emplace_back("transmit_errors", std::to_integer<int>(frame.data[transmit_count_byte]));
    made.values.emplace_back("receive_errors", std::to_integer<int>(frame.data[receive_count_byte]));
  }
  return made;
}

void BusWatch::see(const Item& item, const CanFrame& frame, Circumstance what, std::vector<Finding>& out) {
  if (what == Circumstance::bus_restarted) {
    out.push_back(finding(item, frame, what));
    return;
  }
  Trouble& trouble = troubles_[{{item.source, item.channel}, what}];
  if (trouble.error_frames++ == 0) {
    trouble.opened = finding(item, frame, what);
    trouble.opened.phase = FindingPhase::open;
    out.push_back(trouble.opened);
  }
  trouble.last_host_ns = item.host_ns;
  trouble.lasts = is_state(what);
}

// Bus-off ends alone when frames come again; all states do when the controller says that it is well.
void BusWatch::leave_states(const Item& item, bool bus_off_only) {
  for (auto& [key, trouble] : troubles_) {
    const bool here = key.first == Channel{item.source, item.channel};
    if (here && trouble.lasts && (!bus_off_only || key.second == Circumstance::bus_off)) {
      trouble.lasts = false;
      trouble.last_host_ns = item.host_ns;
    }
  }
}

void BusWatch::take(const Item& item, const CanFrame& frame, std::vector<Finding>& out) {
  if (!frame.error) {
    if (!troubles_.empty()) {
      leave_states(item, true);
    }
    return;
  }
  if ((frame.id & restarted_class) != 0 || (controller_bits(frame) & active_bit) != 0) {
    leave_states(item, false);
  }
  for (const Circumstance what : bus_troubles(frame)) {
    see(item, frame, what, out);
  }
}

void BusWatch::tick(std::int64_t host_ns, std::vector<Finding>& out) {
  for (auto at = troubles_.begin(); at != troubles_.end();) {
    const Trouble& trouble = at->second;
    if (trouble.lasts || !is_quiet_since(trouble.last_host_ns, host_ns)) {
      ++at;
      continue;
    }
    Finding closing = closed(trouble.opened, trouble.last_host_ns);
    closing.values.emplace_back("error_frames", static_cast<double>(trouble.error_frames));
    out.push_back(std::move(closing));
    at = troubles_.erase(at);
  }
}

void BusWatch::break_off(std::uint8_t source) {
  for (auto& [key, trouble] : troubles_) {
    trouble.lasts = trouble.lasts && key.first.first != source;
  }
}

}  // namespace cw
