// The finding offset-and-delay: the ECU's mark is wrong by a fixed angle and a fixed delay, told apart.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "compare/offset_fit.hpp"
#include "compare/steady_cycles.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

// One finding is open while the line through all steady running so far (offset_fit.hpp) tells an angle or a delay that comes
// to more than half of what opens a tdc-deviation, somewhere between the slowest and the fastest hold. It opens a second time
// when it has become another: its numbers lie outside of what was said. When two holds in a row are off the line, something
// was changed: what came before them is forgotten.
class OffsetWatch {
 public:
  // `next_id` counts the findings of all watches.
  OffsetWatch(const Engine& engine, std::uint64_t& next_id) : engine_(engine), next_id_(next_id) {}

  void take(const Cycle& cycle, std::vector<Finding>& out);
  void take(const StateChange& change) { cycles_.take(change); }

  const OffsetFit& fit() const { return fit_; }

 private:
  void forget_what_no_longer_holds();
  bool worth_telling() const;
  bool as_told() const;
  Finding finding_of(const Cycle& cycle) const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  SteadyCycles cycles_;
  OffsetFit fit_;
  OffsetFit told_;
  std::optional<Finding> open_;
};

}  // namespace cw
