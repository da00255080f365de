// The last values of something over time, a fixed number of them.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>

namespace cw {

struct TimedValue {
  std::int64_t t_ns = 0;
  double value = 0;
};

struct ValueSpan {
  double least = 0;
  double greatest = 0;
  std::int64_t oldest_ns = 0;
  std::int64_t newest_ns = 0;
  std::size_t count = 0;
};

// At most `Room` of them, and none closer together than `step_ns` but where the value changed by more than `change`: a
// fast broadcast takes no more room than a slow one.
template <std::size_t Room>
class Recent {
 public:
  Recent(std::int64_t step_ns, double change) : step_ns_(step_ns), change_(change) {}

  // `t_ns` never falls.
  void add(std::int64_t t_ns, double value) {
    if (size_ > 0) {
      const TimedValue& last = at(size_ - 1);
      const double moved = value > last.value ? value - last.value : last.value - value;
      if (t_ns - last.t_ns < step_ns_ && moved <= change_) {
        return;
      }
    }
    if (size_ == Room) {
      first_ = (first_ + 1) % Room;
      --size_;
    }
    values_[(first_ + size_) % Room] = {t_ns, value};
    ++size_;
  }
  void clear() { size_ = 0; }
  bool empty() const { return size_ == 0; }
  const TimedValue& newest() const { return at(size_ - 1); }  // not when empty

  // Those from `from_ns` to `to_ns`, and the last before, which was valid when they began unless it is older than
  // `old_ns`. Nothing when there is none.
  std::optional<ValueSpan> between(std::int64_t from_ns, std::int64_t to_ns, std::int64_t old_ns) const {
    std::optional<ValueSpan> span;
    for (std::size_t i = size_; i > 0; --i) {
      const TimedValue& one = at(i - 1);
      if (one.t_ns > to_ns) {
        continue;
      }
      if (one.t_ns < from_ns - old_ns) {
        break;
      }
      span = widened(span, one);
      if (one.t_ns < from_ns) {
        break;
      }
    }
    return span;
  }

 private:
  const TimedValue& at(std::size_t i) const { return values_[(first_ + i) % Room]; }
  static ValueSpan widened(const std::optional<ValueSpan>& span, const TimedValue& one) {
    if (!span) {
      return {one.value, one.value, one.t_ns, one.t_ns, 1};
    }
    return {std::min(span->least, one.value), std::max(span->greatest, one.value), one.t_ns, span->newest_ns,
            span->count + 1};
  }

  std::int64_t step_ns_;
  double change_;
  std::array<TimedValue, Room> values_{};
  std::size_t first_ = 0;
  std::size_t size_ = 0;
};

}  // namespace cw
