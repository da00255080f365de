// The straight line under the offset fit, against values from outside.
#include "compare/line_fit.hpp"

#include <cmath>
#include <fstream>
#include <random>
#include <sstream>
#include <string>

#include <gtest/gtest.h>

namespace cw {
namespace {

std::vector<LinePoint> norris() {
  std::ifstream file(std::string(CRANKWITNESS_SOURCE_DIR) + "/tests/data/norris.csv");
  std::vector<LinePoint> points;
  for (std::string line; std::getline(file, line);) {
    if (line.empty() || line[0] == '#' || line[0] == 'y') {
      continue;
    }
    std::istringstream fields(line);
    LinePoint point;
    char comma = 0;
    fields >> point.y >> comma >> point.x;
    points.push_back(point);
  }
  return points;
}

// NIST Statistical Reference Datasets, linear regression, "Norris", certified values.
TEST(LineFit, gives_the_certified_values_of_nist_norris) {
  const auto points = norris();
  ASSERT_EQ(points.size(), 36U);
  const auto fit = fit_line(points);
  ASSERT_TRUE(fit);
  const auto agrees = [](double value, double certified) { EXPECT_NEAR(value / certified, 1, 1e-11); };
  agrees(fit->intercept, -0.262323073774029);
  agrees(fit->slope, 1.00211681802045);
  agrees(fit->residual_sd, 0.884796396144373);
  agrees(fit->intercept_sd, 0.232818234301152);
  agrees(fit->slope_sd, 0.000429796848199937);
}

TEST(LineFit, weighs_a_point_twice_as_it_weighs_two_points) {
  const std::vector<LinePoint> twice = {{1, 2.1, 1}, {2, 3.8, 1}, {2, 3.8, 1}, {5, 11, 1}};
  const std::vector<LinePoint> weighted = {{1, 2.1, 1}, {2, 3.8, 2}, {5, 11, 1}};
  EXPECT_NEAR(fit_line(twice)->slope, fit_line(weighted)->slope, 1e-12);
  EXPECT_NEAR(fit_line(twice)->intercept, fit_line(weighted)->intercept, 1e-12);
}

TEST(LineFit, says_nothing_of_two_points_or_of_one_place) {
  EXPECT_FALSE(fit_line(std::vector<LinePoint>{{1, 2, 1}, {2, 3, 1}}));
  EXPECT_FALSE(fit_line(std::vector<LinePoint>{{1, 2, 1}, {1, 3, 1}, {1, 4, 1}}));
  EXPECT_FALSE(theil_sen(std::vector<LinePoint>{{1, 2, 1}, {1, 3, 1}}));
}

TEST(LineFit, gives_no_interval_where_one_point_alone_decides) {
  const std::vector<LinePoint> points = {{1, 2, 1}, {1.01, 2.1, 1}, {0.99, 1.9, 1}, {50, 40, 1}};
  EXPECT_FALSE(half_width_95(points, *fit_line(points), {0, 1}));
}

// Shares add up to what is asked: a constant is passed on whole, and a line's own height at x.
TEST(LineFit, shares_of_the_points_make_the_answer) {
  const std::vector<LinePoint> points = {{1, 2, 1}, {2, 2.5, 4}, {4, 5, 2}, {7, 7, 1}};
  const auto fit = fit_line(points);
  const auto share = shares(points, {1, 0});
  double sum = 0;
  double answer = 0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    sum += share[i];
    answer += share[i] * points[i].y;
  }
  EXPECT_NEAR(sum, 1, 1e-12);
  EXPECT_NEAR(answer, fit->intercept, 1e-12);
}

// Student's t, 97.5 %, as printed in any table (from memory): 12.706, 4.303, 2.228, 1.960.
TEST(StudentT, is_that_of_the_tables) {
  EXPECT_NEAR(student_t_975(1), 12.706, 5e-4);
  EXPECT_NEAR(student_t_975(2), 4.303, 5e-4);
  EXPECT_NEAR(student_t_975(10), 2.228, 5e-4);
  EXPECT_NEAR(student_t_975(1e7), 1.960, 5e-4);
}

// Share of 4,000 drawn lines whose interval holds the true value; scatter of points `sd(i)`.
template <typename Sd>
double coverage(std::size_t points, const LineQuestion& question, Sd sd) {
  std::mt19937_64 random(7);
  std::normal_distribution<double> normal;
  constexpr int runs = 4000;
  int inside = 0;
  for (int run = 0; run < runs; ++run) {
    std::vector<LinePoint> line;
    for (std::size_t i = 0; i < points; ++i) {
      const double x = 1 + static_cast<double>(i);
      line.push_back({x, 3 + 0.5 * x + sd(i) * normal(random), 1});
    }
    const auto fit = fit_line(line);
    const double truth = question.of_intercept * 3 + question.of_slope * 0.5;
    const double value = question.of_intercept * fit->intercept + question.of_slope * fit->slope;
    inside += std::fabs(value - truth) <= *half_width_95(line, *fit, question) ? 1 : 0;
  }
  return static_cast<double>(inside) / runs;
}

TEST(Interval, holds_the_truth_in_95_of_100_lines_of_few_points_of_like_scatter) {
  const auto alike = [](std::size_t) { return 0.1; };
  for (const std::size_t points : {4U, 6U, 12U}) {
    EXPECT_NEAR(coverage(points, {1, 0}, alike), 0.95, 0.012) << points;
    EXPECT_NEAR(coverage(points, {0, 1}, alike), 0.95, 0.012) << points;
  }
}

TEST(TheilSen, bears_one_wild_point_in_five) {
  const std::vector<LinePoint> points = {{1, 3, 1}, {2, 4, 1}, {3, 50, 1}, {4, 6, 1}, {5, 7, 1}};
  const auto line = theil_sen(points);
  EXPECT_NEAR(line->slope, 1, 1e-9);
  EXPECT_NEAR(line->intercept, 2, 1e-9);
}

// Every order of the signs, counted out.
double counted_p(int above, int below, int runs_seen) {
  const int all = above + below;
  int few = 0;
  int total = 0;
  for (unsigned pattern = 0; pattern < 1U << static_cast<unsigned>(all); ++pattern) {
    int ones = 0;
    int runs = 0;
    int last = -1;
    for (int i = 0; i < all; ++i) {
      const int bit = static_cast<int>(pattern >> static_cast<unsigned>(i) & 1U);
      ones += bit;
      runs += bit != last ? 1 : 0;
      last = bit;
    }
    if (ones == above) {
      ++total;
      few += runs <= runs_seen ? 1 : 0;
    }
  }
  return static_cast<double>(few) / total;
}

TEST(RunsTest, agrees_with_counting_all_orders) {
  EXPECT_NEAR(runs_test_p(std::vector<double>{1, 1, 1, 1, -1, -1, -1, -1}), 2.0 / 70, 1e-12);
  EXPECT_NEAR(runs_test_p(std::vector<double>{1, 1, -1, -1, -1, 1, 0, 2}), counted_p(4, 3, 3), 1e-12);
  EXPECT_NEAR(runs_test_p(std::vector<double>{1, -1, 1, -1, 1, -1, 1, 1, 1, 1}), counted_p(7, 3, 7), 1e-12);
  EXPECT_EQ(runs_test_p(std::vector<double>{1, 2, 3}), 1);
}

// Swed and Eisenhart, Annals of Mathematical Statistics 14, 1943: ten and ten, six runs or fewer: 0.019 (from memory).
TEST(RunsTest, is_that_of_the_published_table) {
  std::vector<double> signs(20, 1);
  for (const std::size_t i : {0U, 1U, 2U, 3U, 8U, 9U, 10U, 14U, 15U, 16U}) {
    signs[i] = -1;
  }
  EXPECT_NEAR(runs_test_p(signs), 0.019, 5e-4);
}

}  // namespace
}  // namespace cw
