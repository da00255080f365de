#include "sync/tdc_fit.hpp"

#include <array>
#include <cmath>
#include <cstdlib>
#include <fstream>
#include <span>
#include <string>
#include <vector>

#include <gtest/gtest.h>

namespace cw {
namespace {

std::vector<double> evenly(double from, double step, int count) {
  std::vector<double> all;
  all.reserve(static_cast<std::size_t>(count));
  for (int i = 0; i < count; ++i) {
    all.push_back(from + step * i);
  }
  return all;
}

double polynomial(const std::vector<double>& coefficient, double x) {
  double value = 0;
  for (auto c = coefficient.rbegin(); c != coefficient.rend(); ++c) {
    value = value * x + *c;
  }
  return value;
}

TEST(TdcFit, reproduces_a_polynomial_of_its_own_degree) {
  const std::vector<double> coefficient = {12345.0, 27778.0, -310.0, 9.0, 0.4, -0.02, 0.001, -0.00003};
  const std::vector<double> angle_deg = evenly(-27, 6, 10);
  for (int degree = 1; degree <= 7; ++degree) {
    const std::vector<double> used(coefficient.begin(), coefficient.begin() + degree + 1);
    std::vector<double> t_ns;
    t_ns.reserve(angle_deg.size());
    for (const double angle : angle_deg) {
      t_ns.push_back(polynomial(used, angle));
    }
    const FittedTime fitted = fit_time(angle_deg, t_ns, degree);
    EXPECT_NEAR(fitted.t_ns, used[0], 1e-3) << degree;
    EXPECT_NEAR(fitted.ns_per_deg, used[1], 1e-3) << degree;
    EXPECT_NEAR(fitted.residual_ns, 0, 1e-3) << degree;
    EXPECT_EQ(fitted.freedom, 10 - degree - 1);
  }
}

TEST(TdcFit, a_degree_too_low_for_the_motion_leaves_a_residual) {
  const std::vector<double> angle_deg = evenly(-27, 6, 10);
  std::vector<double> t_ns;
  t_ns.reserve(angle_deg.size());
  for (const double angle : angle_deg) {
    t_ns.push_back(27778 * angle + 300 * angle * angle);
  }
  EXPECT_GT(fit_time(angle_deg, t_ns, 1).residual_ns, 1000);
  EXPECT_LT(fit_time(angle_deg, t_ns, 2).residual_ns, 0.01);
}

TEST(TdcFit, noise_of_a_line_at_the_middle_of_its_points_is_that_of_their_mean) {
  // Variance of a fitted value: 1/n + (x - mean)^2 / Sxx (any textbook on regression); at the mean 1/n.
  for (const int count : {2, 5, 8, 21}) {
    const std::vector<double> angle_deg = evenly(-3.0 * (count - 1), 6, count);
    const std::vector<double> t_ns(angle_deg.size(), 1.0);
    EXPECT_NEAR(fit_time(angle_deg, t_ns, 1).noise_gain, std::sqrt(1.0 / count), 1e-12) << count;
  }
}

TEST(TdcFit, noise_of_a_line_beside_its_points_grows_with_the_distance) {
  const std::vector<double> angle_deg = {10, 20, 30, 40};  // mean 25, Sxx = 225 + 25 + 25 + 225 = 500
  const std::vector<double> t_ns = {1, 2, 3, 4};
  EXPECT_NEAR(fit_time(angle_deg, t_ns, 1).noise_gain, std::sqrt(1.0 / 4 + 625.0 / 500), 1e-12);
}

// Savitzky and Golay, "Smoothing and differentiation of data by simplified least squares procedures", Analytical
// Chemistry 36 (1964) 1627-1639, tables I and II (from memory; each row sums to its norm). The smoothed value is the
// least-squares value at the middle, and its variance the middle weight over the norm.
struct SmoothingRow {
  int degree;
  double norm;
  std::vector<double> weight;
};
const std::vector<SmoothingRow>& smoothing_rows() {
  static const std::vector<SmoothingRow> rows = {
      {2, 35, {-3, 12, 17, 12, -3}},
      {2, 21, {-2, 3, 6, 7, 6, 3, -2}},
      {3, 231, {-21, 14, 39, 54, 59, 54, 39, 14, -21}},
      {4, 231, {5, -30, 75, 131, 75, -30, 5}},
      {5, 429, {15, -55, 30, 135, 179, 135, 30, -55, 15}},
  };
  return rows;
}

TEST(TdcFit, agrees_with_the_published_smoothing_weights) {
  for (const SmoothingRow& row : smoothing_rows()) {
    const auto count = static_cast<int>(row.weight.size());
    const std::vector<double> angle_deg = evenly(-3.0 * (count - 1), 6, count);
    std::vector<double> t_ns;
    double smoothed = 0;
    for (std::size_t i = 0; i < row.weight.size(); ++i) {
      t_ns.push_back(1000.0 * std::cos(2.0 * static_cast<double>(i * i)));  // nothing smooth
      smoothed += row.weight[i] * t_ns.back() / row.norm;
    }
    const FittedTime fitted = fit_time(angle_deg, t_ns, row.degree);
    const double middle = row.weight[row.weight.size() / 2];
    EXPECT_NEAR(fitted.t_ns, smoothed, 1e-6) << count << " points, degree " << row.degree;
    EXPECT_NEAR(fitted.noise_gain, std::sqrt(middle / row.norm), 1e-9) << count << " points, degree " << row.degree;
  }
}

TEST(TdcFit, agrees_with_the_certified_line_of_nist_norris) {
  // NIST Statistical Reference Datasets, linear regression, "Norris": y = b0 + b1 x.
  std::ifstream file(std::string(CRANKWITNESS_SOURCE_DIR) + "/tests/data/norris.csv");
  ASSERT_TRUE(file) << "tests/data/norris.csv";
  std::vector<double> x;
  std::vector<double> y;
  std::string line;
  while (std::getline(file, line)) {
    const std::size_t comma = line.find(',');
    char* end = nullptr;
    const double first = std::strtod(line.c_str(), &end);
    if (comma != std::string::npos && end == line.c_str() + comma) {
      y.push_back(first);
      x.push_back(std::strtod(line.c_str() + comma + 1, nullptr));
    }
  }
  ASSERT_EQ(x.size(), 36U);
  const FittedTime fitted = fit_time(x, y, 1);
  EXPECT_NEAR(fitted.t_ns, -0.262323073774029, 1e-10);
  EXPECT_NEAR(fitted.ns_per_deg, 1.00211681802045, 1e-12);
  EXPECT_NEAR(fitted.residual_ns, 0.884796396144373, 1e-11);
  EXPECT_EQ(fitted.freedom, 34);
  // Standard deviation of the intercept = residual sd x noise gain.
  EXPECT_NEAR(fitted.residual_ns * fitted.noise_gain, 0.232818234301152, 1e-11);
}

TEST(TdcFit, few_points_lower_the_degree) {
  const std::array<double, 2> angle_deg = {-6, 6};
  const std::array<double, 2> t_ns = {100, 300};
  const FittedTime line = fit_time(angle_deg, t_ns, 3);
  EXPECT_NEAR(line.t_ns, 200, 1e-9);
  EXPECT_EQ(line.freedom, 0);
  EXPECT_EQ(line.residual_ns, 0);
  const FittedTime constant = fit_time(std::span(angle_deg).first(1), std::span(t_ns).first(1), 3);
  EXPECT_EQ(constant.t_ns, 100);
  EXPECT_EQ(constant.ns_per_deg, 0);
}

TEST(TdcFit, the_order_of_the_points_does_not_matter) {
  const std::vector<double> angle_deg = {-12, -6, 0, 6, 12};
  const std::vector<double> t_ns = {-333, -160, 7, 171, 340};
  const std::vector<double> backward_deg(angle_deg.rbegin(), angle_deg.rend());
  const std::vector<double> backward_ns(t_ns.rbegin(), t_ns.rend());
  EXPECT_NEAR(fit_time(angle_deg, t_ns, 3).t_ns, fit_time(backward_deg, backward_ns, 3).t_ns, 1e-9);
}

}  // namespace
}  // namespace cw
