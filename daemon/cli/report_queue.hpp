// Reports of live sessions, made by child processes: one at a time, with low priority, so that analysis and recording are
// neither held up nor ended by one, whatever becomes of it.
#pragma once

#include <chrono>
#include <condition_variable>
#include <deque>
#include <functional>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "items/observation.hpp"

namespace cw {

class ReportQueue {
 public:
  using Clock = std::chrono::steady_clock;
  struct Job {
    std::string folder;                              // of the session
    Clock::time_point due;                           // not before
    std::function<void(const std::string&)> failed;  // why there is none, one line; on the queue's thread
    std::function<void(const std::string&)> done;    // may be empty; gets the path of the page
  };

  // `program`: runs as `PROGRAM report FOLDER`. One that takes longer than `limit` is ended.
  explicit ReportQueue(std::string program, std::chrono::seconds limit = std::chrono::minutes(10));
  ReportQueue(const ReportQueue&) = delete;
  ReportQueue& operator=(const ReportQueue&) = delete;
  // Drops what waits; what runs is ended.
  ~ReportQueue();

  // Never waits. A report of the same folder that waits already makes this one needless.
  void ask(Job job);
  // The session in `folder` ends: what waits for it is dropped, what runs is ended, silently. Its functions are not called
  // any more when this has returned.
  void drop(const std::string& folder);
  // Waits until all is done, at most so long; false: not yet, and what runs is left to itself.
  bool finish(std::chrono::seconds most);

 private:
  void run();
  std::optional<std::string> make(const std::string& folder);

  std::string program_;
  std::chrono::seconds limit_;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::deque<Job> waiting_;
  std::string running_;  // folder; empty: none
  bool end_running_ = false;
  bool leave_running_ = false;
  bool stop_ = false;
  std::thread thread_;
};

// Asks for a report some seconds after a lost sync, so that what came after it is in it too; at most once in ten minutes.
class ReportOnLoss final : public Observer {
 public:
  static constexpr std::chrono::seconds after_loss{10};
  static constexpr std::chrono::minutes between{10};

  // `ask` gets the time at which it is due.
  explicit ReportOnLoss(std::function<void(ReportQueue::Clock::time_point)> ask) : ask_(std::move(ask)) {}
  void on_finding(const Finding& finding) override;
  void on_cycle(const Cycle& /*cycle*/) override {}
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& /*change*/) override {}

 private:
  std::function<void(ReportQueue::Clock::time_point)> ask_;
  std::optional<ReportQueue::Clock::time_point> last_due_;
};

}  // namespace cw
