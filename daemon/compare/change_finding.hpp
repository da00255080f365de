// What a ChangeDetector says of a series, as findings that open and close.
#pragma once

#include <cstdint>
#include <utility>
#include <vector>

#include "compare/attribution.hpp"
#include "compare/change_detector.hpp"
#include "items/observation.hpp"

namespace cw {

// An open finding of this change: times, speed and values (`from_deg`, `to_deg`, `change_deg`, `uncertainty_deg` (95 %, of
// the change) and of a drift `rate_deg_per_min`, `rate_deg_per_h`). A drift starts when it began, a step between the last
// sure block before and the first after. Id and channel are the caller's.
Finding finding_of(const Change& change, FindingKind kind, Circumstance circumstance);

// The findings that are open for the changes of one detector.
class OpenChanges {
 public:
  void opened(std::uint64_t number, Finding finding) { open_.emplace_back(number, std::move(finding)); }
  // `change` is over: closes what was opened for it, with `to_deg`, `change_deg` and (of a drift) 1 as `stopped` where it
  // stays but goes no further.
  void ended(const Change& change, std::vector<Finding>& out);

 private:
  std::vector<std::pair<std::uint64_t, Finding>> open_;
};

}  // namespace cw
