#include "monitor_rules.hpp"

#include <cmath>
#include <map>

#include "config/engine_file.hpp"
#include "monitor/monitor.hpp"
#include "real_files.hpp"
#include "record/observation_text.hpp"
#include "record/session_totals.hpp"
#include "tests/unit/sync/engine_times.hpp"

namespace cw::fuzz {

namespace {

void expect_in_cycle(const std::optional<double>& angle_deg, double cycle_deg) {
  expect(!angle_deg || (*angle_deg >= 0 && *angle_deg < cycle_deg), "an angle within the cycle");
}

void expect_sound(const std::optional<double>& value, std::string_view what) {
  expect(!value || std::isfinite(*value), what);
}

// Holds each observation against the rules and keeps its line.
class Listener final : public Observer {
 public:
  Listener(const Engine& engine, const ItemBuffer& items)
      : engine_(engine), items_(items), totals_(engine), text_(trend_header(engine) + cycles_header(engine)) {}

  void on_finding(const Finding& finding) override {
    expect_in_cycle(finding.angle_deg, engine_.cycle_deg);
    expect_sound(finding.rpm, "a finite speed");
    expect(!finding.tooth || (*finding.tooth >= 1 && *finding.tooth <= std::max(engine_.crank.positions, 1)),
           "a tooth of the wheel");
    expect(finding.count >= 1, "a count from 1");
    expect(finding.evidence_first <= finding.evidence_last, "evidence that begins before it ends");
    expect(finding.evidence_last <= items_.items.back().sequence, "evidence that has been seen");
    for (const auto& [name, value] : finding.values) {
      expect(std::isfinite(value), "a finite " + name);
    }
    take_phase(finding);
    totals_.on_finding(finding);
    text_ += finding_json(finding, std::nullopt) + "\n";
  }

  void on_cycle(const Cycle& cycle) override {
    expect(std::isfinite(cycle.rpm) && cycle.rpm > 0, "a cycle at a speed");
    expect(std::isfinite(cycle.uncertainty_deg) && cycle.uncertainty_deg >= 0, "a cycle with its uncertainty");
    expect(is_lock(cycle.state), "a cycle in lock");
    expect_sound(cycle.reference_deviation_deg, "a finite deviation");
    expect_sound(cycle.sync_margin, "a finite margin");
    totals_.on_cycle(cycle);
    text_ += cycles_row(cycle, engine_.cams.size());
  }

  void on_second(const Second& second) override {
    expect_sound(second.rpm, "a finite speed");
    expect_sound(second.tdc_deviation_deg, "a finite deviation");
    expect_sound(second.clock_offset_ms, "a finite offset");
    expect_sound(second.clock_skew_ppm, "a finite skew");
    expect(!second.clock_uncertainty_ms || *second.clock_uncertainty_ms >= 0, "an uncertainty of the clock");
    expect(second.cam_phase_deg.size() == engine_.cams.size(), "a phase a cam");
    totals_.on_second(second);
    text_ += trend_row(second, engine_.cams.size());
  }

  void on_clock(const ClockFit& fit) override {
    expect(std::isfinite(fit.offset_ms) && std::isfinite(fit.skew_ppm) && fit.uncertainty_ms >= 0, "a sound clock");
    totals_.on_clock(fit);
  }

  void on_state(const StateChange& change) override {
    expect(change.from == state_ && change.to != state_, "states that follow each other");
    state_ = change.to;
    totals_.on_state(change);
    text_ += std::string(to_string(change.to)) + " " + std::to_string(change.source_ns) + "\n";
  }

  std::string finish() {
    totals_.take_items(items_.batch());
    totals_.finish();
    return text_ + summary_json(totals_, engine_, std::nullopt, {});
  }

 private:
  void take_phase(const Finding& finding) {
    const auto open = open_.find(finding.id);
    if (finding.phase == FindingPhase::open) {
      // What is open may be told again under its id when it is seen better (a wheel that gets its name).
      expect(open == open_.end() || open->second == finding.kind,
             "an id of its own for what opens, after\n" + text_ + "found " + finding_json(finding, std::nullopt));
      open_[finding.id] = finding.kind;
    } else if (finding.phase == FindingPhase::close) {
      const FindingKind opened = finding.kind == FindingKind::sync_regained ? FindingKind::sync_lost : finding.kind;
      expect(open != open_.end() && open->second == opened,
             "a close of what is open after\n" + text_ + "found " + finding_json(finding, std::nullopt));
      open_.erase(open);
    }
  }

  const Engine& engine_;
  const ItemBuffer& items_;
  SessionTotals totals_;
  std::map<std::uint64_t, FindingKind> open_;
  LockState state_ = LockState::no_signal;
  std::string text_;
};

// Every frame of 11 bits says all signals, with bits that overlap: numbers of any kind and state.
std::vector<BusMap> map_of_everything(const Engine& engine) {
  MessageDefinition message;
  message.name = "all";
  message.ids = {0, 0, false};
  std::uint32_t at = 0;
  for (const SignalKind& kind : signal_kinds()) {
    SignalDefinition signal;
    signal.name = kind.name;
    signal.coding.field = {8 + at++ % 8, kind.name == SignalName::sync_state ? 3U : 8U, ByteOrder::little};
    signal.coding.scale = kind.name == SignalName::engine_speed ? 40 : 1;
    signal.cam = kind.of_a_cam && !engine.cams.empty() ? engine.cams.front().name : "";
    for (int i = 0; kind.name == SignalName::sync_state && i < 5; ++i) {
      signal.meanings.push_back({i, "", false, static_cast<LockState>(i)});
    }
    message.signals.push_back(std::move(signal));
  }
  return {{{"fuzz", {std::move(message)}}, ""}};
}

template <typename NextSize>
std::string lines_of(const Engine& engine, const ItemBuffer& items, NextSize next_size) {
  if (items.items.empty()) {
    return {};
  }
  Listener listener(engine, items);
  Monitor monitor(engine, listener, map_of_everything(engine));
  const std::span<const Item> all = items.items;
  for (std::size_t at = 0; at < all.size();) {
    const std::size_t size = std::min<std::size_t>(next_size(), all.size() - at);
    monitor.push({all.subspan(at, size), items.payload});
    at += size;
  }
  monitor.finish();
  return listener.finish();
}

}  // namespace

std::string try_monitor(const Engine& engine, const ItemBuffer& items) {
  return lines_of(engine, items, [&] { return items.items.size(); });
}

void try_monitor_cut(const Engine& engine, const ItemBuffer& items, Choices& choices) {
  Dice dice(1 + choices.take(16));
  constexpr std::uint32_t batch_max = 40;
  const std::string cut = lines_of(engine, items, [&] { return 1 + dice.next() % batch_max; });
  expect(try_monitor(engine, items) == cut, "the same observations however the items are cut");
}

ItemMaker::ItemMaker(const Engine& engine) {
  std::vector<std::string> names = {engine.crank.channel};
  for (const CamPattern& cam : engine.cams) {
    names.push_back(cam.channel);
  }
  if (engine.reference) {
    names.push_back(engine.reference->channel);
  }
  for (const std::string& name : names) {
    Item item;
    item.kind = ItemKind::link_note;
    item.code = static_cast<std::uint8_t>(LinkNote::channel_named);
    item.channel = static_cast<std::uint8_t>(channels_++);
    add(item, std::as_bytes(std::span(name)));
  }
}

void ItemMaker::add(Item item, std::span<const std::byte> payload) {
  item.source_ns = now_ns_;
  item.host_ns = now_ns_;
  item.sequence = items_.items.size();
  if (payload.empty()) {
    items_.items.push_back(item);
  } else {
    items_.add_with_payload(item, payload);
  }
}

void ItemMaker::edge(std::int64_t t_ns, std::uint8_t channel, EdgeCode code) {
  Item tick;
  tick.kind = ItemKind::tick;
  const bool far = t_ns < ticked_ns_ || t_ns / 2 - ticked_ns_ / 2 > ticked_ns_max / 2;
  if (far) {
    ticked_ns_ = t_ns;
  }
  while (!far && t_ns - ticked_ns_ >= tick_ns) {
    ticked_ns_ += tick_ns;
    now_ns_ = ticked_ns_;
    add(tick);
  }
  now_ns_ = t_ns;
  if (far) {
    add(tick);
  }
  Item item;
  item.channel = channel;
  item.code = static_cast<std::uint8_t>(code);
  add(item);
}

std::vector<RunEdge> run_edges(const Engine& engine, const EngineRun& how) {
  constexpr double deg_a_turn = 360;
  constexpr double ns_deg_a_rpm = 60e9 / deg_a_turn;  // ns a degree is this by rpm
  constexpr double rpm_min = 20;
  const auto ns_at = [&](double deg) {
    const double rpm = std::max(how.rpm + how.rpm_a_turn * deg / deg_a_turn / 2, rpm_min);  // mean from 0 to deg
    return deg * ns_deg_a_rpm / rpm;
  };
  std::vector<RunEdge> edges;
  std::int64_t last_ns = 0;
  for (const test::TimedEdge& edge : test::engine_edges(engine, 0, how.degrees, ns_at)) {
    const auto channel = edge.line == test::Line::crank ? 0
                         : edge.line == test::Line::cam ? 1 + edge.cam
                                                        : 1 + engine.cams.size();
    last_ns = std::max(last_ns, edge.t_ns);
    edges.push_back({last_ns, static_cast<std::uint8_t>(channel),
                     edge.edge == ActiveEdge::rising ? EdgeCode::rising : EdgeCode::falling});
  }
  return edges;
}

const std::vector<Engine>& ready_engines() {
  static const std::vector<Engine> engines = [] {
    std::vector<Engine> all;
    for (const std::string& path : files_of_tree("config/engines", ".toml")) {
      auto read = parse_engine(file_of_tree(path), path);
      expect(std::holds_alternative<Engine>(read), "a sound " + path);
      all.push_back(std::move(std::get<Engine>(read)));
    }
    return all;
  }();
  return engines;
}

}  // namespace cw::fuzz
