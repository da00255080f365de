// Streams of items for the tests of the monitor, and an observer that writes all it is told down as text, field by field.
#pragma once

#include <cinttypes>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "items/can_frame.hpp"
#include "items/item.hpp"
#include "items/item_buffer.hpp"
#include "items/observation.hpp"
#include "monitor/monitor.hpp"
#include "tests/unit/sync/engine_times.hpp"

namespace cw::test {

// All digits of a double, so that equal text means equal bits.
inline std::string exact(double value) {
  std::uint64_t bits = 0;
  std::memcpy(&bits, &value, sizeof bits);
  return std::to_string(value) + "/" + std::to_string(bits);
}
template <typename T>
std::string exact(const std::optional<T>& value) {
  if (!value) {
    return "-";
  }
  if constexpr (std::is_same_v<T, double>) {
    return exact(*value);
  } else {
    return std::to_string(*value);
  }
}

class Recorder : public Observer {
 public:
  void on_finding(const Finding& finding) override {
    findings.push_back(finding);
    text += "finding " + std::to_string(finding.id) + ' ' + std::string(to_string(finding.phase)) + ' ' +
            std::string(to_string(finding.kind)) + ' ' + std::string(to_string(finding.severity)) + ' ' +
            std::string(finding.clock) + ' ' + std::to_string(finding.start_ns) + ' ' + std::to_string(finding.end_ns) +
            ' ' + std::to_string(finding.session_ns) + ' ' + exact(finding.cycle) + ' ' + exact(finding.angle_deg) +
            ' ' + finding.channel + ' ' + exact(finding.tooth) + ' ' + exact(finding.rpm);
    for (const auto& [name, value] : finding.values) {
      text += ' ' + name + '=' + exact(value);
    }
    text += ' ' + std::string(to_string(finding.attribution)) + ' ' + finding.reason;
    for (const std::string& check : finding.next_checks) {
      text += " | " + check;
    }
    text += ' ' + finding.code + ' ' + finding.title + ' ' + std::to_string(finding.evidence_first) + ' ' +
            std::to_string(finding.evidence_last) + ' ' + std::to_string(finding.count) + '\n';
  }
  void on_cycle(const Cycle& cycle) override {
    cycles.push_back(cycle);
    text += "cycle " + std::to_string(cycle.number) + ' ' + std::to_string(cycle.tdc_ns) + ' ' + exact(cycle.rpm) +
            ' ' + exact(cycle.uncertainty_deg) + ' ' + exact(cycle.reference_deviation_deg) + ' ' +
            std::string(to_string(cycle.state)) + ' ' + exact(cycle.sync_margin);
    for (const std::optional<double>& phase : cycle.cam_phase_deg) {
      text += ' ' + exact(phase);
    }
    text += '\n';
  }
  void on_second(const Second& second) override {
    seconds.push_back(second);
    text += "second " + std::to_string(second.session_ns) + ' ' + std::to_string(second.source_ns) + ' ' +
            std::string(to_string(second.state)) + ' ' + std::to_string(second.cycles) + ' ' +
            std::to_string(second.crank_edges) + ' ' + std::to_string(second.extra_edges) + ' ' +
            std::to_string(second.missed_edges) + ' ' + std::to_string(second.lost_items) + ' ' + exact(second.rpm) +
            ' ' + exact(second.sync_margin) + ' ' + exact(second.tdc_deviation_deg) + ' ' +
            exact(second.tdc_deviation_spread_deg) + ' ' + exact(second.tdc_uncertainty_deg) + ' ' +
            exact(second.ecu_rpm) + ' ' + exact(second.ecu_advance_deg) + ' ' +
            (second.ecu_state ? std::string(to_string(*second.ecu_state)) : "-") + ' ' + exact(second.ecu_agrees);
    for (const std::optional<double>& phase : second.cam_phase_deg) {
      text += ' ' + exact(phase);
    }
    text += '\n';
  }
  void on_state(const StateChange& change) override {
    states.push_back(change);
    text += "state " + std::string(to_string(change.from)) + ' ' + std::string(to_string(change.to)) + ' ' +
            std::to_string(change.source_ns) + ' ' + std::to_string(change.session_ns) + '\n';
  }

  std::vector<Finding> of(FindingKind kind) const {
    std::vector<Finding> found;
    for (const Finding& finding : findings) {
      if (finding.kind == kind) {
        found.push_back(finding);
      }
    }
    return found;
  }

  std::vector<Finding> findings;
  std::vector<Cycle> cycles;
  std::vector<Second> seconds;
  std::vector<StateChange> states;
  std::string text;
};

// A session as a driver and the sequencer would give it. Channels of the two-cam engine: 0 crank, 1 intake, 2 exhaust,
// 3 ref, 4 one that the engine file does not name. Host time = source time + host_offset_ns. A tick every 100 ms of host
// time comes before the item that passes it.
class ItemStream {
 public:
  explicit ItemStream(bool name_channels = true) {
    if (name_channels) {
      this->name_channels();
    }
  }

  void name_channels() {
    const char* const names[] = {"crank", "intake", "exhaust", "ref", "oil pump"};
    for (std::uint8_t channel = 0; channel < 5; ++channel) {
      name_channel(channel, names[channel]);
    }
  }

  void name_channel(std::uint8_t channel, std::string_view name) {
    Item item = next(ItemKind::link_note, newest_host_ns_);
    item.channel = channel;
    item.code = static_cast<std::uint8_t>(LinkNote::channel_named);
    buffer_.add_with_payload(item, std::as_bytes(std::span(name.data(), name.size())));
  }

  void edge(std::uint8_t channel, EdgeCode code, std::int64_t source_ns) {
    ticks_until(source_ns + host_offset_ns);
    Item item = next(ItemKind::edge, source_ns + host_offset_ns);
    item.source_ns = source_ns;
    item.channel = channel;
    item.code = static_cast<std::uint8_t>(code);
    buffer_.items.push_back(item);
  }

  void edges(const std::vector<TimedEdge>& all) {
    for (const TimedEdge& one : all) {
      const std::uint8_t channel = one.line == Line::crank ? 0 : one.line == Line::cam ? 1 + one.cam : 3;
      edge(channel, one.edge == ActiveEdge::rising ? EdgeCode::rising : EdgeCode::falling, one.t_ns);
    }
  }

  // Nothing but ticks until `host_ns`.
  void silence(std::int64_t host_ns) { ticks_until(host_ns); }

  void note(LinkNote note) {
    Item item = next(ItemKind::link_note, newest_host_ns_);
    item.code = static_cast<std::uint8_t>(note);
    buffer_.items.push_back(item);
  }

  void frame(const CanFrame& frame) { frame_at(newest_host_ns_, frame); }

  void frame_at(std::int64_t host_ns, const CanFrame& frame) {
    ticks_until(host_ns);
    const Item made = next(ItemKind::can_frame, host_ns);
    add_can_frame(buffer_, 0, host_ns, frame);
    Item& item = buffer_.items.back();
    item.host_ns = made.host_ns;
    item.source = made.source;
    item.sequence = made.sequence;
  }

  void gap(GapReason reason, std::uint64_t count) {
    Item item = next(ItemKind::gap, newest_host_ns_);
    item.code = static_cast<std::uint8_t>(reason);
    std::vector<std::byte> bytes;
    bytes.reserve(8);
    for (int i = 0; i < 8; ++i) {
      bytes.push_back(static_cast<std::byte>(count >> (8 * i)));
    }
    buffer_.add_with_payload(item, bytes);
  }

  const ItemBuffer& buffer() const { return buffer_; }
  std::uint64_t next_sequence() const { return sequence_; }

  std::int64_t host_offset_ns = 0;
  std::uint8_t source = 0;  // of the items added from now on

 private:
  Item next(ItemKind kind, std::int64_t host_ns) {
    Item item;
    item.kind = kind;
    item.host_ns = host_ns;
    item.source = source;
    item.sequence = sequence_++;
    newest_host_ns_ = host_ns;
    next_tick_ns_ = next_tick_ns_ ? next_tick_ns_ : std::optional<std::int64_t>(host_ns + tick_ns);
    return item;
  }
  void ticks_until(std::int64_t host_ns) {
    while (next_tick_ns_ && *next_tick_ns_ <= host_ns) {
      const std::int64_t at_ns = *next_tick_ns_;
      buffer_.items.push_back(next(ItemKind::tick, at_ns));
      next_tick_ns_ = at_ns + tick_ns;
    }
  }

  static constexpr std::int64_t tick_ns = 100'000'000;
  ItemBuffer buffer_;
  std::uint64_t sequence_ = 1;
  std::int64_t newest_host_ns_ = 0;
  std::optional<std::int64_t> next_tick_ns_;
};

// The whole stream in one batch, finished.
inline void play(const Engine& engine, const ItemStream& stream, Recorder& recorder) {
  Monitor monitor(engine, recorder);
  monitor.push(stream.buffer().batch());
  monitor.finish();
}

}  // namespace cw::test
