#include "compare/row_fit.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace cw {

RowFit::RowFit(std::vector<std::vector<double>> rows, std::vector<bool> left_out)
    : rows_(std::move(rows)), left_out_(std::move(left_out)) {
  const std::size_t n = rows_.front().size();
  normal_.assign(n, std::vector<double>(n, 0.0));
  for (std::size_t r = 0; r < rows_.size(); ++r) {
    for (std::size_t i = 0; i < n && !left_out_[r]; ++i) {
      for (std::size_t j = 0; j < n; ++j) {
        normal_[i][j] += rows_[r][i] * rows_[r][j];
      }
    }
  }
  eliminate();
}

// Gauss elimination with row exchange.
void RowFit::eliminate() {
  constexpr double nothing = 1e-9;
  const std::size_t n = normal_.size();
  const auto used = static_cast<double>(std::count(left_out_.begin(), left_out_.end(), false));
  for (std::size_t column = 0; column < n; ++column) {
    std::size_t pivot = column;
    for (std::size_t row = column + 1; row < n; ++row) {
      pivot = std::fabs(normal_[row][column]) > std::fabs(normal_[pivot][column]) ? row : pivot;
    }
    pivot_.push_back(pivot);
    // Whole rows, with the factors that they were reduced by so far.
    std::swap(normal_[column], normal_[pivot]);
    seen_.push_back(std::fabs(normal_[column][column]) >= nothing * used);
    for (std::size_t row = column + 1; row < n; ++row) {
      const double factor = seen_.back() ? normal_[row][column] / normal_[column][column] : 0;
      for (std::size_t k = column + 1; k < n; ++k) {
        normal_[row][k] -= factor * normal_[column][k];
      }
      normal_[row][column] = factor;
    }
  }
}

std::vector<double> RowFit::solve(std::span<const double> right) const {
  const std::size_t n = normal_.size();
  std::vector<double> solution(n, 0.0);
  for (std::size_t r = 0; r < rows_.size(); ++r) {
    if (left_out_[r]) {
      continue;
    }
    const std::vector<double>& row = rows_[r];
    const double of_row = right[r];
    for (std::size_t i = 0; i < n; ++i) {
      solution[i] += row[i] * of_row;
    }
  }
  for (std::size_t column = 0; column < n; ++column) {
    std::swap(solution[column], solution[pivot_[column]]);
  }
  for (std::size_t column = 0; column < n; ++column) {
    for (std::size_t row = column + 1; row < n; ++row) {
      solution[row] -= normal_[row][column] * solution[column];
    }
  }
  for (std::size_t column = n; column-- > 0;) {
    for (std::size_t k = column + 1; k < n; ++k) {
      solution[column] -= normal_[column][k] * solution[k];
    }
    solution[column] = seen_[column] ? solution[column] / normal_[column][column] : 0;
  }
  return solution;
}

}  // namespace cw
