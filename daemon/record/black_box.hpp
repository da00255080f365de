// Black-box mode: which finished segments of a capture stay and which go. Everything is written to the disk first, so
// that a power cut leaves its last lead-in there; a segment goes when no window around a warning or fault reaches it.
// No file, no clock.
#pragma once

#include <cstdint>
#include <deque>
#include <vector>

namespace cw {

// A finished segment of a capture. Without items `next_sequence` is `first_sequence` and times mean nothing.
struct SegmentSpan {
  std::uint32_t number = 0;
  std::uint64_t first_sequence = 0;
  std::uint64_t next_sequence = 0;
  std::int64_t first_host_ns = 0;
  std::int64_t last_host_ns = 0;
  bool empty() const { return next_sequence == first_sequence; }
};

struct BlackBoxSettings {
  std::int64_t lead_in_ns = 30'000'000'000;
  std::int64_t after_ns = 10'000'000'000;
  // How long a segment lasts: what stays is whole segments, so windows are up to this longer at either end.
  std::int64_t segment_ns() const;
};

class BlackBox {
 public:
  explicit BlackBox(const BlackBoxSettings& settings) : settings_(settings) {}

  // A segment has been finished; in the order of their numbers.
  void add(const SegmentSpan& segment) { segments_.push_back(segment); }
  // Keeps the window of a finding that was decided at host time `decided_ns` and whose evidence begins at
  // `first_sequence`: lead-in before the evidence, the time after the decision.
  void keep_around(std::int64_t decided_ns, std::uint64_t first_sequence);
  // Those that can go at host time `now_ns`; each segment is given out once at most.
  std::vector<SegmentSpan> take_removable(std::int64_t now_ns);

 private:
  // Findings are decided some time after their evidence; for so long more than the lead-in nothing is given up.
  static constexpr std::int64_t decision_ns = 10'000'000'000;
  struct Window {
    std::int64_t from_ns = 0;
    std::int64_t to_ns = 0;
  };

  BlackBoxSettings settings_;
  std::deque<SegmentSpan> segments_;  // not given up and not yet kept for good
  std::vector<Window> windows_;
};

}  // namespace cw
