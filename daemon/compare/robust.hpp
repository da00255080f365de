// Robust location and spread of small windows.
#pragma once

#include <span>
#include <vector>

namespace cw {

// Median; the mean of the two middle values for an even count. At least one value.
double median(std::vector<double> values);

struct RobustMean {
  double mean = 0;    // mean of the values within three spreads of the median
  double spread = 0;  // standard deviation by 1.4826 x median absolute deviation (the factor makes it consistent for a
                      // normal distribution: 1 / inverse normal CDF at 3/4)
};
// At least one value.
RobustMean robust_mean(std::span<const double> values);

// The outer quartile fences: three interquartile ranges beyond the quartiles (NIST e-Handbook 7.1.6). At least one value.
struct Fences {
  double low = 0;
  double high = 0;
};
Fences outer_fences(std::vector<double> values);
// With the quartiles known.
Fences outer_fences(double first_quartile, double third_quartile);

}  // namespace cw
