// What each step of the cycle was like when it last came: an engine that is cranked slows down at every compression as it
// did a cycle ago, far more than any smooth model of speed would allow.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

namespace cw {

class PastSteps {
 public:
  // `teeth` in a cycle.
  explicit PastSteps(std::size_t teeth) : steps_(teeth) {}

  // The step that ends at mark `mark` and began at `tooth` took `ns_per_deg`, the one before it `before_ns_per_deg`.
  void note(int tooth, double ns_per_deg, double before_ns_per_deg, std::uint64_t mark) {
    Seen& seen = steps_[static_cast<std::size_t>(tooth)];
    if (mark > seen.last.mark) {
      seen.before = seen.last;
    }
    seen.last = {std::log(ns_per_deg / before_ns_per_deg), mark};
  }

  // ln(ns per degree of the step from `tooth` / of the step before), when it was last seen in the cycle before mark
  // `now`; what came from there on is not asked, since that is in question. Some odd edges may have come meanwhile.
  std::optional<double> log_ratio(int tooth, std::uint64_t now) const {
    constexpr std::uint64_t odd_edges = 8;
    const Seen& seen = steps_[static_cast<std::size_t>(tooth)];
    const Step& step = seen.last.mark < now ? seen.last : seen.before;
    const bool known = step.mark > 0 && step.mark < now && now <= step.mark + steps_.size() + odd_edges;
    return known ? std::optional<double>(step.log_ratio) : std::nullopt;
  }

 private:
  struct Step {
    double log_ratio = 0;
    std::uint64_t mark = 0;  // 0: never seen
  };
  struct Seen {
    Step last;
    Step before;
  };
  std::vector<Seen> steps_;
};

}  // namespace cw
