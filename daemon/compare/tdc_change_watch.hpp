// The ECU's mark against its own past: has its deviation stepped, or does it walk off? Sees changes far below the limits
// of `tdc-deviation`, whatever the deviation was when the session began.
#pragma once

#include <cstdint>
#include <vector>

#include "compare/change_finding.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

class TdcChangeWatch {
 public:
  TdcChangeWatch(const Engine& engine, std::uint64_t& next_id);

  // `deviation_deg` of this pulse. `cams_steady`: no cam has moved against the teeth meanwhile.
  void take(const ReferenceEvent& event, double deviation_deg, bool cams_steady, std::vector<Finding>& out);
  void break_off() { detector_.break_off(); }
  // The angles are measured otherwise from now on.
  void learn_anew() { detector_.set_change(engine_.limits.tdc_change_deg, true); }

 private:
  void tell(const Change& change, const ReferenceEvent& event, bool cams_steady, std::vector<Finding>& out);

  const Engine& engine_;
  std::uint64_t& next_id_;
  ChangeDetector detector_;
  OpenChanges open_;
};

}  // namespace cw
