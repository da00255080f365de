#include "record/black_box.hpp"

#include <algorithm>

namespace cw {

std::int64_t BlackBoxSettings::segment_ns() const {
  constexpr std::int64_t longest_ns = 10'000'000'000;
  constexpr std::int64_t shortest_ns = 1'000'000'000;
  return std::clamp(lead_in_ns / 3, shortest_ns, longest_ns);
}

void BlackBox::keep_around(std::int64_t decided_ns, std::uint64_t first_sequence) {
  std::int64_t evidence_ns = decided_ns;
  for (const SegmentSpan& segment : segments_) {
    if (!segment.empty() && first_sequence < segment.next_sequence) {
      evidence_ns = std::min(decided_ns, segment.first_host_ns);
      break;
    }
  }
  const Window window{evidence_ns - settings_.lead_in_ns, decided_ns + settings_.after_ns};
  if (!windows_.empty() && window.from_ns <= windows_.back().to_ns) {  // findings come in order of decision
    windows_.back().from_ns = std::min(windows_.back().from_ns, window.from_ns);
    windows_.back().to_ns = std::max(windows_.back().to_ns, window.to_ns);
  } else {
    windows_.push_back(window);
  }
}

std::vector<SegmentSpan> BlackBox::take_removable(std::int64_t now_ns) {
  std::vector<SegmentSpan> removable;
  while (!segments_.empty()) {
    const SegmentSpan& oldest = segments_.front();
    if (!oldest.empty() && oldest.last_host_ns >= now_ns - settings_.lead_in_ns - decision_ns) {
      break;
    }
    const bool kept = !oldest.empty() && std::any_of(windows_.begin(), windows_.end(), [&](const Window& window) {
      return window.from_ns <= oldest.last_host_ns && oldest.first_host_ns <= window.to_ns;
    });
    if (!kept) {
      removable.push_back(oldest);
    }
    segments_.pop_front();
  }
  const std::int64_t oldest_ns = segments_.empty() ? now_ns : segments_.front().first_host_ns;
  std::erase_if(windows_, [&](const Window& window) { return window.to_ns < oldest_ns; });
  return removable;
}

}  // namespace cw
