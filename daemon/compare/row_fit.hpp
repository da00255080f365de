// Least squares on rows that stay the same: made ready once, solved for one right side after another.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace cw {

class RowFit {
 public:
  // At least one row that is not left out; all of the same length, a few columns that are near orthogonal. A column that is
  // nothing beside the others (the sine of a wave of two teeth) gets 0.
  RowFit(std::vector<std::vector<double>> rows, std::vector<bool> left_out);

  // The coefficient of each column. One value for each row; those of rows left out don't count.
  std::vector<double> solve(std::span<const double> right) const;

  std::span<const double> row(std::size_t index) const { return rows_[index]; }
  const std::vector<bool>& left_out() const { return left_out_; }

 private:
  void eliminate();

  std::vector<std::vector<double>> rows_;
  std::vector<bool> left_out_;
  // The normal equations, eliminated: the upper triangle, below it by which factors rows were subtracted.
  std::vector<std::vector<double>> normal_;
  std::vector<std::size_t> pivot_;
  std::vector<bool> seen_;  // columns that are something
};

}  // namespace cw
