// What the wheel is seen to be, when that is not what the engine file says: from WheelEvent to findings.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

// One finding opens when the look differs from the file and closes when it looks otherwise: at most one is open.
class WheelReport {
 public:
  // `next_id` counts the findings of all watches.
  WheelReport(const Engine& engine, std::uint64_t& next_id) : engine_(engine), next_id_(next_id) {}

  void take(const WheelEvent& event, std::vector<Finding>& out);
  // The wires may be others now: what was open closes at `t_ns`.
  void break_off(std::int64_t t_ns, std::vector<Finding>& out);

 private:
  Finding finding_of(const WheelOpinion& opinion) const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::optional<Finding> open_;
};

}  // namespace cw
