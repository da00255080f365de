// Times as a source writes them down in text: how far they may lie apart, and when they begin anew.
#pragma once

#include <cstdint>

namespace cw {

inline constexpr std::uint64_t silence_max_ns = 24 * 3'600'000'000'000ULL;  // from one to the next
inline constexpr std::uint64_t span_max_ns = 366 * silence_max_ns;          // from the first to any other, in a file

// `to` is not below `from`.
inline std::uint64_t distance_ns(std::int64_t from, std::int64_t to) {
  return static_cast<std::uint64_t>(to) - static_cast<std::uint64_t>(from);
}

// Tells a source that has started afresh from a time that is simply wrong: eight times in a row that agree with each
// other, though not with what was before.
class RestartWatch {
 public:
  // A time that does not follow the last good one. True when the source has started afresh.
  bool seen(std::int64_t t_ns) {
    const bool agrees = count_ > 0 && t_ns >= last_ns_ && distance_ns(last_ns_, t_ns) <= silence_max_ns;
    count_ = agrees ? count_ + 1 : 1;
    last_ns_ = t_ns;
    return count_ >= agreeing_times;
  }
  // A good time came.
  void forget() { count_ = 0; }

 private:
  static constexpr int agreeing_times = 8;
  int count_ = 0;
  std::int64_t last_ns_ = 0;
};

}  // namespace cw
