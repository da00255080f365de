#include "campaign/feed.hpp"

#include <algorithm>
#include <string>
#include <utility>

#include "items/can_frame.hpp"
#include "monitor/monitor.hpp"

namespace cw::campaign {

namespace {

constexpr std::int64_t tick_ns = 100'000'000;
constexpr std::uint8_t can_source = 1;

void add(Stream& stream, Item item) {
  item.host_ns = item.source_ns;
  item.sequence = stream.items.size();
  stream.items.push_back(item);
}

void add_name(Stream& stream, std::uint8_t channel, const std::string& name, std::uint8_t source = 0) {
  Item item;
  item.source = source;
  item.kind = ItemKind::link_note;
  item.code = static_cast<std::uint8_t>(LinkNote::channel_named);
  item.channel = channel;
  item.payload_at = static_cast<std::uint32_t>(stream.payload.size());
  stream.payload.push_back(static_cast<std::byte>(name.size() & 0xffU));
  stream.payload.push_back(static_cast<std::byte>(name.size() >> 8U));
  for (const char letter : name) {
    stream.payload.push_back(static_cast<std::byte>(letter));
  }
  add(stream, item);
}

void add_plain(Stream& stream, ItemKind kind, std::uint8_t code, std::int64_t t_ns) {
  Item item;
  item.kind = kind;
  item.code = code;
  item.source_ns = t_ns;
  add(stream, item);
}

void add_frame(Stream& stream, const sim::SimFrame& frame) {
  CanFrame made;
  made.id = frame.id;
  made.extended = frame.extended;
  made.length = static_cast<std::uint8_t>(frame.data.size());
  std::transform(frame.data.begin(), frame.data.end(), made.data.begin(),
                 [](std::uint8_t byte) { return static_cast<std::byte>(byte); });
  ItemBuffer buffer;
  constexpr std::int64_t ns_per_us = 1000;
  add_can_frame(buffer, 0, frame.stamp_us * ns_per_us, made);
  Item item = buffer.items.front();
  item.source = can_source;
  item.payload_at = static_cast<std::uint32_t>(stream.payload.size());
  stream.payload.insert(stream.payload.end(), buffer.payload.begin(), buffer.payload.end());
  add(stream, item);
}

class Collector : public Observer {
 public:
  explicit Collector(Observed& observed) : observed_(observed) {}
  void on_finding(const Finding& finding) override { observed_.findings.push_back(finding); }
  void on_cycle(const Cycle& cycle) override { observed_.cycles.push_back(cycle); }
  void on_second(const Second&) override { ++observed_.seconds; }
  void on_state(const StateChange& change) override { observed_.changes.push_back(change); }

 private:
  Observed& observed_;
};

}  // namespace

Stream stream_of(const sim::Simulation& simulation) {
  Stream stream;
  stream.items.reserve(simulation.edges.size() + 1000);
  for (std::size_t i = 0; i < simulation.channels.size(); ++i) {
    add_name(stream, static_cast<std::uint8_t>(i), simulation.channels[i]);
  }
  if (!simulation.frames.empty()) {
    add_name(stream, 0, "can0", can_source);
  }
  std::int64_t next_tick_ns = tick_ns;
  const auto ticks_until = [&](std::int64_t t_ns) {
    for (; next_tick_ns <= t_ns; next_tick_ns += tick_ns) {
      add_plain(stream, ItemKind::tick, 0, next_tick_ns);
    }
  };
  constexpr std::int64_t ns_per_us = 1000;
  std::size_t next_frame = 0;
  const auto frames_until = [&](std::int64_t t_ns) {
    for (; next_frame < simulation.frames.size() && simulation.frames[next_frame].stamp_us * ns_per_us <= t_ns;
         ++next_frame) {
      ticks_until(simulation.frames[next_frame].stamp_us * ns_per_us);
      add_frame(stream, simulation.frames[next_frame]);
    }
  };
  for (const sim::SimEdge& edge : simulation.edges) {
    frames_until(edge.t_ns);
    ticks_until(edge.t_ns);
    Item item;
    item.kind = ItemKind::edge;
    item.channel = edge.channel;
    item.code = static_cast<std::uint8_t>(edge.rising ? EdgeCode::rising : EdgeCode::falling);
    item.source_ns = edge.t_ns;
    add(stream, item);
  }
  const auto end_ns = static_cast<std::int64_t>(simulation.truth.end_s * 1e9);
  frames_until(end_ns);
  ticks_until(end_ns);
  const std::int64_t last_ns = stream.items.empty() ? end_ns : std::max(end_ns, stream.items.back().source_ns);
  add_plain(stream, ItemKind::link_note, static_cast<std::uint8_t>(LinkNote::end_of_input), last_ns);
  return stream;
}

Observed observe(const Engine& engine, const Stream& stream, Dice& dice, std::vector<BusMap> maps) {
  Observed observed;
  Collector collector(observed);
  Monitor monitor(engine, collector, std::move(maps));
  std::span<const Item> rest(stream.items);
  while (!rest.empty()) {
    const auto size = std::min(rest.size(), static_cast<std::size_t>(dice.log_range(1, 20000)));
    monitor.push({rest.first(size), stream.payload});
    rest = rest.subspan(size);
  }
  monitor.finish();
  return observed;
}

}  // namespace cw::campaign
