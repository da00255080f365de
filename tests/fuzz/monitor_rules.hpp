// What holds for the monitor, whatever items it gets (monitor/monitor.hpp, items/observation.hpp).
#pragma once

#include "geometry/engine.hpp"
#include "items/item_buffer.hpp"
#include "target.hpp"

namespace cw::fuzz {

// Pushes `items` through the monitor and into the lines that a session would hold, and holds what it says against the
// rules: finite numbers in range; a `close` only of what is open; evidence that has been seen. Returns all lines.
std::string try_monitor(const Engine& engine, const ItemBuffer& items);

// The same, and once more cut into batches: the same lines.
void try_monitor_cut(const Engine& engine, const ItemBuffer& items, Choices& choices);

// Items in the order of their making, stamped as a file replay does: host time is source time, a tick each 100 ms.
class ItemMaker {
 public:
  // A hop of time that is longer than this gets a single tick.
  static constexpr std::int64_t ticked_ns_max = 5'000'000'000;
  static constexpr std::int64_t tick_ns = 100'000'000;

  // Names crank, cams and reference of `engine` as channels 0, 1, ...
  explicit ItemMaker(const Engine& engine);
  // `edge` with its time and channel.
  void edge(std::int64_t t_ns, std::uint8_t channel, EdgeCode code);
  // Any item at the present time.
  void add(Item item, std::span<const std::byte> payload = {});
  // Time jumps without a tick.
  void jump(std::int64_t t_ns) { now_ns_ = t_ns; }

  std::int64_t now_ns() const { return now_ns_; }
  int channels() const { return channels_; }
  const ItemBuffer& items() const { return items_; }

 private:
  ItemBuffer items_;
  std::int64_t now_ns_ = 0;
  std::int64_t ticked_ns_ = 0;
  int channels_ = 0;
};

// Edges of `engine` by arithmetic over so many degrees, at `rpm` rising by `rpm_a_turn` in each turn.
struct EngineRun {
  double degrees = 3600;
  double rpm = 2000;
  double rpm_a_turn = 0;
};
struct RunEdge {
  std::int64_t t_ns = 0;
  std::uint8_t channel = 0;  // as ItemMaker numbers them
  EdgeCode code = EdgeCode::falling;
};
std::vector<RunEdge> run_edges(const Engine& engine, const EngineRun& how);

// The engine files of config/engines, in the order of their names.
const std::vector<Engine>& ready_engines();

}  // namespace cw::fuzz
