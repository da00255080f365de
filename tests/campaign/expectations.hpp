// What each kind of fault must and may lead to: the one table both halves of the judge read.
#pragma once

#include <optional>
#include <span>
#include <string_view>

#include "items/observation.hpp"
#include "simulate/scenario.hpp"

namespace cw::campaign {

// A further finding that a fault explains, beside its own.
struct Consequence {
  FindingKind kind = FindingKind::sync_lost;
  double cycles_after = 3;  // counted from the end of the fault
};
inline constexpr double for_ever = 1e9;
// A step told later than this is not taken for the one that was injected.
inline constexpr double step_cycles = 12;

struct Expectation {
  sim::FaultKind fault = sim::FaultKind::missed_edge;
  FindingKind finding = FindingKind::missed_edge;  // the right name
  double cycles_after = 1;                         // how long after the fault's end its own finding may begin
  std::span<const Consequence> consequences;
};

const Expectation& expectation_of(sim::FaultKind kind);

}  // namespace cw::campaign
