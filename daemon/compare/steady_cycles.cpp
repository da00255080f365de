#include "compare/steady_cycles.hpp"

namespace cw {

bool SteadyCycles::take(const Cycle& cycle) {
  if (!cycle.reference_deviation_deg || !is_lock(cycle.state)) {
    return false;
  }
  ++cycles_;
  turns_only_ += cycle.state == LockState::cycle_locked ? 0 : 1;
  const auto stretch =
      collector_.take({cycle.tdc_ns, cycle.reference_rpm.value_or(cycle.rpm), *cycle.reference_deviation_deg,
                       cycle.reference_uncertainty_deg.value_or(cycle.uncertainty_deg)});
  if (!stretch) {
    return false;
  }
  holds_.take(*stretch);
  return true;
}

void SteadyCycles::take(const StateChange& change) {
  if (!is_lock(change.to)) {
    collector_.break_off();
  }
}

}  // namespace cw
