// The threads behind the input: one runs the monitor, one writes, and live one more tells what was found, so that what
// people see waits for no disk. Live input never waits for them; replay does.
#pragma once

#include <atomic>
#include <chrono>
#include <cstddef>
#include <cstdint>
#include <mutex>
#include <string>
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

using Observation = std::variant<Finding, Cycle, Second, StateChange, WheelShape, ClockFit>;

struct PipelineSettings {
  bool live = false;
  // Waiting before each thread, at most: 524,288 items of 32 bytes, 16 MiB and what CAN frames carry. A disk that stalls
  // for 5 s must lose nothing: 60-2 at 9,000 rpm gives 58 teeth * 150 turns/s = 8,700 edges/s, twice that when both edges
  // are sent; four cam edges a cycle 75 * 4 * 2 = 600; a full CAN bus 7,407 frames; 10 ticks: 25,417 items/s, 127,085 in
  // 5 s. So this is room for 20 s of that.
  std::size_t queue_items = std::size_t{1} << 19U;
  SessionWriter* session = nullptr;  // where items and observations are recorded; nullptr = nowhere
  // Must be set. Live it is fed on the monitor's thread, else on the writing one.
  SessionTotals* totals = nullptr;
  // Called in order: live on a thread of their own, else on the writing thread, after the session's files.
  std::vector<Observer*> observers;
  std::vector<BusMap> maps = {};  // of the ECU's broadcast
};

// When each thread last finished a piece of work.
struct PipelineProgress {
  std::chrono::steady_clock::time_point monitor;
  std::chrono::steady_clock::time_point writer;
};

// What has come so far, for whoever looks while it runs. Live only.
struct PipelineCounts {
  std::uint64_t edges = 0;
  std::uint64_t can_frames = 0;
  std::vector<std::string> not_watched;  // SessionTotals::not_watched(), once a second
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

  // Any thread.
  PipelineCounts counts() const;

  // Observations that were lost since the writer, or who tells them, was too far behind even for them.
  std::uint64_t lost_observations() const { return lost_observations_.load(); }

 private:
  struct Work {
    ItemBuffer items;
    std::vector<Observation> observations;
  };
  void run_monitor();
  void run_writer();
  void run_teller();
  void pass_on(Work work);
  void keep_counts(const std::vector<Observation>& observations);
  void hand_to_writer(Work work);
  void tell(const std::vector<Observation>& observations);
  void write(const Work& work);
  void commit();

  const Engine& engine_;
  PipelineSettings settings_;
  BoundedQueue<ItemBuffer> input_;
  BoundedQueue<Work> output_;
  BoundedQueue<std::vector<Observation>> telling_;  // live only
  std::atomic<std::uint64_t> lost_observations_{0};
  std::atomic<std::chrono::steady_clock::time_point> monitor_done_{std::chrono::steady_clock::now()};
  std::atomic<std::chrono::steady_clock::time_point> writer_done_{std::chrono::steady_clock::now()};
  mutable std::mutex counts_mutex_;
  PipelineCounts counts_;
  std::thread monitor_thread_;
  std::thread writer_thread_;
  std::thread teller_thread_;
};

}  // namespace cw
