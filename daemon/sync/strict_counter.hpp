// What a plain counter would have done: it counts edges, takes an interval of more than a fixed multiple of the one
// before for the gap, and is out of sync whenever the count at the gap is not the wheel's. It stands beside the tracker
// so that a finding can say whether an ECU that counts strictly would have lost sync. Common practice, no source.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

namespace cw {

class StrictCounter {
 public:
  // `step_deg` of one turn of the wheel. A wheel with no step at least 1.5 times the step before it has nothing to
  // count by: available() is false then.
  explicit StrictCounter(std::span<const double> step_deg);

  bool available() const { return edges_per_gap_ > 0; }

  void edge(std::int64_t t_ns) {
    if (!available()) {
      return;  // never in sync, never out
    }
    const std::int64_t dt_ns = t_ns - last_ns_;
    last_ns_ = t_ns;
    ++count_;
    const bool gap = static_cast<double>(dt_ns) > static_cast<double>(last_dt_ns_) * gap_ratio_;
    last_dt_ns_ = dt_ns;
    if (gap || count_ > edges_per_gap_) {
      at_gap(gap);
    }
  }

  // As edge() for each of the teeth that follow tooth `before` of the turn, when from each step to the next, the two before
  // the first included, the time for a degree changes by no more than crank_limits::next_tooth_ratio_max: away from the gap
  // none can look like one, so there they are only counted.
  void plain_teeth(std::span<const std::int64_t> t_ns, int before);

  bool in_sync() const { return in_sync_; }
  // Times that it fell out of sync.
  std::uint32_t losses() const { return losses_; }
  void reset();

 private:
  void at_gap(bool gap);

  double gap_ratio_ = 0;
  int edges_per_gap_ = 0;
  std::vector<int> teeth_until_gap_;  // so many after each tooth of the turn can't be taken for the end of a gap
  int count_ = 0;
  bool in_sync_ = false;
  bool gap_seen_ = false;
  std::uint32_t losses_ = 0;
  std::int64_t last_ns_ = 0;
  std::int64_t last_dt_ns_ = 0;
};

}  // namespace cw
