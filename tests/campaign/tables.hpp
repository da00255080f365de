// The two wide tables of the campaign's report.
#pragma once

#include <iosfwd>
#include <span>
#include <string>
#include <vector>

#include "campaign/judge.hpp"

namespace cw::campaign {

// What was injected against what was said. Row "nothing": runs without a fault that stayed quiet, and every finding in
// any run that no fault explains. A burst or a row of missed teeth counts once.
void print_confusion(std::span<const Verdict> verdicts, std::ostream& out);

// One line a wheel form: runs, false locks, faults, TDC error, cycles to lock.
void print_by_wheel(std::span<const Verdict> verdicts, std::ostream& out);

// 95 % bounds of the value below which `share` of independent readings lie: the values at ranks n share -+ 1.96
// sqrt(n share (1 - share)) (normal approximation of the binomial; H. A. David, Order Statistics, 7.1, from memory).
// Below 20 values the upper bound may be the largest value only because there is no larger one.
struct QuantileBounds {
  double value = 0;
  double low = 0;
  double high = 0;
  bool bounded = true;  // else too little is known for bounds
};
QuantileBounds quantile_bounds(std::vector<double> values, double share);

// The same for readings that hang together within a run: runs are dealt into twenty groups, and the scatter of the
// groups' own quantiles gives the bounds (batch means; Student's t for 19 degrees of freedom is 2.093). Fewer than forty
// runs with readings give no bounds.
QuantileBounds grouped_quantile_bounds(const std::vector<std::vector<double>>& by_run, double share);

}  // namespace cw::campaign
