#include "compare/row_fit.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

namespace cw {
namespace {

TEST(RowFit, finds_the_line_that_points_lie_on_one_right_side_after_another) {
  std::vector<std::vector<double>> rows;
  std::vector<double> steep;
  std::vector<double> flat;
  for (int i = 0; i < 9; ++i) {
    rows.push_back({1, static_cast<double>(i)});
    steep.push_back(3 + 7 * i);
    flat.push_back(-2);
  }
  const RowFit fit(rows, std::vector<bool>(rows.size(), false));
  EXPECT_NEAR(fit.solve(steep)[0], 3, 1e-12);
  EXPECT_NEAR(fit.solve(steep)[1], 7, 1e-12);
  EXPECT_NEAR(fit.solve(flat)[0], -2, 1e-12);
  EXPECT_NEAR(fit.solve(flat)[1], 0, 1e-12);
}

TEST(RowFit, rows_left_out_do_not_count) {
  const RowFit fit({{1, 0}, {1, 1}, {1, 2}, {1, 3}}, {false, false, true, false});
  const std::vector<double> line = fit.solve(std::vector<double>{1, 2, 1000, 4});
  EXPECT_NEAR(line[0], 1, 1e-12);
  EXPECT_NEAR(line[1], 1, 1e-12);
}

TEST(RowFit, a_column_that_is_nothing_gets_0) {
  // The sine of a wave of two teeth, taken at the teeth.
  std::vector<std::vector<double>> rows;
  std::vector<double> right;
  for (int i = 0; i < 8; ++i) {
    rows.push_back({1, std::cos(i * std::numbers::pi), std::sin(i * std::numbers::pi)});
    right.push_back(5 + (i % 2 == 0 ? 2 : -2));
  }
  const std::vector<double> wave = RowFit(rows, std::vector<bool>(8, false)).solve(right);
  EXPECT_NEAR(wave[0], 5, 1e-9);
  EXPECT_NEAR(wave[1], 2, 1e-9);
  EXPECT_EQ(wave[2], 0);
}

}  // namespace
}  // namespace cw
