// Cumulative sums (Page, "Continuous inspection schemes", Biometrika 41, 1954): what lies beyond an allowance adds up, so
// that a small shift that stays is seen as surely as a large one, only later.
#pragma once

namespace cw {

// Two one-sided sums. Allowance and threshold are in the unit of the values; a value counts for at most `value_most` to
// either side, so that no single one decides.
struct CusumPlan {
  double allowance = 0.5;  // half of the smallest shift that is of interest
  double threshold = 5;
  double value_most = 1e300;
};

struct Cusum {
  double high = 0;
  double low = 0;

  // +1: risen beyond the threshold, -1: fallen, 0: neither. After an alarm begin anew with a fresh Cusum.
  int take(double value, const CusumPlan& plan);
};

// Mean number of values until a one-sided sum alarms, of independent normal values with standard deviation 1 and mean
// `mean`: Siegmund's approximation, Sequential Analysis (1985), (exp(-2 d b) + 2 d b - 1) / (2 d^2), with
// d = mean - allowance and b = threshold + 1.166. Good to a few percent; from memory.
double cusum_run_length(double mean, double allowance, double threshold);

// The threshold (in standard deviations) at which a one-sided sum of `allowance` alarms once in `run_length` values when
// nothing has shifted. allowance > 0, run_length > 1.
double cusum_threshold(double allowance, double run_length);

}  // namespace cw
