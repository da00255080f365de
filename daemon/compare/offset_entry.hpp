// From what was measured to the number that is typed into the ECU.
#pragma once

#include <optional>

#include "compare/offset_fit.hpp"
#include "geometry/engine.hpp"

namespace cw {

// Which way the ECU counts: what a greater entry does to the spark.
enum class Raising : std::uint8_t { retards, advances };

// The entry that takes away a spark that comes `late_deg` late, in [0, cycle_deg). Where raising retards, 3 degrees late is
// 3 less; where it advances, 3 more.
double corrected_entry_deg(double entry_deg, double late_deg, Raising raising, double cycle_deg);

// An angle that is the mark of a mistake in counting.
struct CountingError {
  int turns = 0;        // whole turns late, -1 to 1
  int teeth = 0;        // and then whole teeth of the crank wheel late
  double left_deg = 0;  // and then this
};

// `offset` as whole turns and teeth, where it is sure and near enough to some: the rest within its interval and 0.25
// degrees, and the interval narrower than a quarter of a tooth (for turns alone: 20 degrees). `cycle_known`: the reference can
// tell the turns apart. Teeth only on wheels of even pitch.
std::optional<CountingError> counting_error(const Engine& engine, const Estimate& offset, bool cycle_known);

}  // namespace cw
