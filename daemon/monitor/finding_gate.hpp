// Keeps a fault that repeats quickly from flooding the list: at most ten single findings a second and kind go through
// as they are, the rest of that second become one with a count; what they say was lost is added up.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "items/observation.hpp"

namespace cw {

class FindingGate {
 public:
  static constexpr int single_per_second_max = 10;

  // What may be reported now: `finding` itself, or nothing when it was added to the one that waits.
  std::optional<Finding> pass(Finding finding);

  // A second is over: what was put together in it, in order of kind.
  std::vector<Finding> end_second();

 private:
  static constexpr std::size_t kinds = static_cast<std::size_t>(FindingKind::clock_trouble) + 1;
  struct Kind {
    int passed = 0;
    std::optional<Finding> waiting;
  };
  std::array<Kind, kinds> kinds_;
};

}  // namespace cw
