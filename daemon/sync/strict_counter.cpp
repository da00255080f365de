#include "sync/strict_counter.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "sync/crank_limits.hpp"

namespace cw {

StrictCounter::StrictCounter(std::span<const double> step_deg) : teeth_until_gap_(step_deg.size()) {
  const std::size_t count = step_deg.size();
  double ratio = 0;
  for (std::size_t i = 0; i < count; ++i) {
    ratio = std::max(ratio, step_deg[i] / step_deg[(i + count - 1) % count]);
  }
  std::size_t gaps = 0;
  for (std::size_t i = 0; i < count; ++i) {
    gaps += step_deg[i] / step_deg[(i + count - 1) % count] > ratio * 0.99 ? 1 : 0;
  }
  constexpr double least_gap_ratio = 1.5;
  // Several equal gaps would need a table, not a count.
  if (ratio >= least_gap_ratio && gaps == 1) {
    gap_ratio_ = std::sqrt(ratio);
    edges_per_gap_ = static_cast<int>(count);
  }
  constexpr double rounding = 1e-9;
  for (std::size_t i = 0; i < count && available(); ++i) {
    int& teeth = teeth_until_gap_[i];
    const auto ratio_of = [&](std::size_t step) {
      return step_deg[step % count] / step_deg[(step + count - 1) % count];
    };
    while (ratio_of(i + static_cast<std::size_t>(teeth)) * crank_limits::next_tooth_ratio_max <
           gap_ratio_ * (1 - rounding)) {
      ++teeth;
    }
  }
}

void StrictCounter::plain_teeth(std::span<const std::int64_t> t_ns, int before) {
  while (available() && !t_ns.empty()) {
    const int until_gap = teeth_until_gap_[static_cast<std::size_t>(before)];
    const int plain = std::min({static_cast<int>(t_ns.size()), until_gap, edges_per_gap_ - count_});
    const auto done = static_cast<std::size_t>(std::max(plain, 1));
    if (plain > 0) {
      count_ += plain;
      last_dt_ns_ = t_ns[done - 1] - (plain > 1 ? t_ns[done - 2] : last_ns_);
      last_ns_ = t_ns[done - 1];
    } else {
      edge(t_ns.front());
    }
    t_ns = t_ns.subspan(done);
    before = (before + static_cast<int>(done)) % static_cast<int>(teeth_until_gap_.size());
  }
}

void StrictCounter::at_gap(bool gap) {
  const bool right = gap && count_ == edges_per_gap_;
  if (in_sync_ && !right) {
    ++losses_;
  }
  // After a loss it trusts a gap only with the right count since the gap before.
  in_sync_ = right && gap_seen_;
  gap_seen_ = gap;
  count_ = 0;
}

void StrictCounter::reset() {
  count_ = 0;
  in_sync_ = false;
  gap_seen_ = false;
  last_dt_ns_ = 0;
}

}  // namespace cw
