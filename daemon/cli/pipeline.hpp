// The threads behind the input: one runs the monitor, one writes. Live input never waits for them; replay does.
#pragma once

#include <atomic>
#include <chrono>
#include <cstddef>
#include <cstdint>
#include <thread>
#include <variant>
#include <vector>

#include "cli/bounded_queue.hpp"
#include "geometry/engine.hpp"
#include "items/item_buffer.hpp"
#include "monitor/monitor.hpp"
#include "record/session_totals.hpp"
#include "record/session_writer.hpp"

namespace cw {

using Observation = std::variant<Finding, Cycle, Second, StateChange>;

struct PipelineSettings {
  bool live = false;
  std::size_t queue_items = std::size_t{1} << 19U;  // waiting before each of the two threads, at most: 16 MiB each
  SessionWriter* session = nullptr;                 // where items and observations are recorded; nullptr = nowhere
  SessionTotals* totals = nullptr;                  // must be set
  std::vector<Observer*> observers;                 // called on the writing thread, in order, after the session's files
};

// When each thread last finished a piece of work.
struct PipelineProgress {
  std::chrono::steady_clock::time_point monitor;
  std::chrono::steady_clock::time_point writer;
};

class Pipeline {
 public:
  // What `settings` points to, and `engine`, must outlive the pipeline.
  Pipeline(const Engine& engine, PipelineSettings settings);
  Pipeline(const Pipeline&) = delete;
  Pipeline& operator=(const Pipeline&) = delete;
  ~Pipeline();

  // Live: takes the items unless there is no room for them; false then, and `items` are untouched.
  bool offer(ItemBuffer& items);
  // Replay: waits for room.
  void push(ItemBuffer items);
  // The input has ended. Returns when everything has been analysed and written. Call once, last.
  void finish();

  // Any thread.
  PipelineProgress progress() const { return {monitor_done_.load(), writer_done_.load()}; }

  // Observations that were lost since the writer was too far behind even for them.
  std::uint64_t lost_observations() const { return lost_observations_.load(); }

 private:
  struct Work {
    ItemBuffer items;
    std::vector<Observation> observations;
  };
  void run_monitor();
  void run_writer();
  void hand_to_writer(Work work);
  void write(const Work& work);

  const Engine& engine_;
  PipelineSettings settings_;
  BoundedQueue<ItemBuffer> input_;
  BoundedQueue<Work> output_;
  std::atomic<std::uint64_t> lost_observations_{0};
  std::atomic<std::chrono::steady_clock::time_point> monitor_done_{std::chrono::steady_clock::now()};
  std::atomic<std::chrono::steady_clock::time_point> writer_done_{std::chrono::steady_clock::now()};
  std::thread monitor_thread_;
  std::thread writer_thread_;
};

}  // namespace cw
