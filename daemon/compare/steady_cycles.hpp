// The steady running of a session, from its cycles: holds, what they were judged by, and what was passed over.
#pragma once

#include <cstdint>
#include <vector>

#include "compare/steady_holds.hpp"
#include "items/observation.hpp"

namespace cw {

class SteadyCycles {
 public:
  // Cycles without a reference deviation are passed over. True: a stretch was completed, so that holds() has changed.
  bool take(const Cycle& cycle);
  // A change that gives up the lock breaks off what is in work.
  void take(const StateChange& change);

  const std::vector<Hold>& holds() const { return holds_.all(); }
  void forget_before(std::int64_t t_ns) { holds_.forget_before(t_ns); }

  std::uint64_t cycles() const { return cycles_; }       // with a deviation
  bool cycle_known() const { return turns_only_ == 0; }  // each of them in cycle-lock: a turn out would show

 private:
  StretchCollector collector_;
  Holds holds_;
  std::uint64_t cycles_ = 0;
  std::uint64_t turns_only_ = 0;
};

}  // namespace cw
