// A queue between two threads that holds no more than it may.
#pragma once

#include <condition_variable>
#include <cstddef>
#include <deque>
#include <mutex>
#include <optional>
#include <utility>

namespace cw {

// One thread pushes, one pops. Each value has a weight; the sum of those waiting is bounded, but a value always fits
// into an empty queue.
template <typename Value>
class BoundedQueue {
 public:
  explicit BoundedQueue(std::size_t weight_max) : weight_max_(weight_max) {}

  // Waits for room.
  void push(Value value, std::size_t weight) {
    std::unique_lock lock(mutex_);
    has_room_.wait(lock, [&] { return fits(weight, weight_max_); });
    put(std::move(value), weight);
  }

  // False, and `value` untouched, when there is no room. `shares` multiplies the limit for this value alone: small
  // things that must not be lost may go where bulk is refused.
  bool try_push(Value& value, std::size_t weight, std::size_t shares = 1) {
    const std::lock_guard lock(mutex_);
    if (!fits(weight, weight_max_ * shares)) {
      return false;
    }
    put(std::move(value), weight);
    return true;
  }

  // Waits for a value; nothing when the queue is closed and empty.
  std::optional<Value> pop() {
    std::unique_lock lock(mutex_);
    has_value_.wait(lock, [&] { return closed_ || !values_.empty(); });
    if (values_.empty()) {
      return std::nullopt;
    }
    auto [value, weight] = std::move(values_.front());
    values_.pop_front();
    weight_ -= weight;
    has_room_.notify_one();
    return std::optional<Value>(std::move(value));
  }

  // Whether nothing waits. For the one that pops: it can only become false behind its back.
  bool empty() const {
    const std::lock_guard lock(mutex_);
    return values_.empty();
  }

  // No more values will come.
  void close() {
    const std::lock_guard lock(mutex_);
    closed_ = true;
    has_value_.notify_one();
  }

 private:
  bool fits(std::size_t weight, std::size_t limit) const { return values_.empty() || weight_ + weight <= limit; }

  void put(Value value, std::size_t weight) {
    values_.emplace_back(std::move(value), weight);
    weight_ += weight;
    has_value_.notify_one();
  }

  const std::size_t weight_max_;
  mutable std::mutex mutex_;
  std::condition_variable has_room_;
  std::condition_variable has_value_;
  std::deque<std::pair<Value, std::size_t>> values_;
  std::size_t weight_ = 0;
  bool closed_ = false;
};

}  // namespace cw
