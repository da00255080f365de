// The whole pipeline over a stream, as replay runs it; what is counted in instructions and timed.
#pragma once

#include <algorithm>
#include <cstdint>

#include "items/item_buffer.hpp"
#include "monitor/monitor.hpp"
#include "streams.hpp"

namespace cw::bench {

// Counts what comes out, so that a run that analysed nothing is noticed.
class Counter : public Observer {
 public:
  void on_finding(const Finding& /*finding*/) override { ++findings; }
  void on_cycle(const Cycle& cycle) override { locked_cycles += cycle.state == LockState::cycle_locked ? 1 : 0; }
  void on_second(const Second& /*second*/) override { ++seconds; }
  void on_state(const StateChange& /*change*/) override {}
  std::int64_t findings = 0;
  std::int64_t locked_cycles = 0;
  std::int64_t seconds = 0;
};

[[gnu::noinline]] inline void analyse(const Engine& engine, const Stream& stream, Observer& observer) {
  Monitor monitor(engine, observer);
  constexpr std::size_t batch_items = 4096;
  std::span<const Item> rest(stream.items.items);
  while (!rest.empty()) {
    const std::size_t size = std::min(rest.size(), batch_items);
    monitor.push({rest.first(size), stream.items.payload});
    rest = rest.subspan(size);
  }
  monitor.finish();
}

}  // namespace cw::bench
