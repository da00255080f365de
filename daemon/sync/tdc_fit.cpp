#include "sync/tdc_fit.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <utility>

namespace cw {

namespace {

constexpr int terms_max = 8;
using Row = std::array<double, terms_max>;
using Matrix = std::array<Row, terms_max>;

double scale_of(std::span<const double> angle_deg) {
  double scale = 0;
  for (const double angle : angle_deg) {
    scale = std::max(scale, std::fabs(angle));
  }
  return scale > 0 ? scale : 1.0;
}

Row powers(double x, int terms) {
  Row row{};
  double power = 1;
  for (int i = 0; i < terms; ++i) {
    row[static_cast<std::size_t>(i)] = power;
    power *= x;
  }
  return row;
}

// Solves matrix * x = right by Gauss elimination with row exchange.
Row solve(Matrix matrix, Row right, int terms) {
  const auto n = static_cast<std::size_t>(terms);
  for (std::size_t column = 0; column < n; ++column) {
    std::size_t pivot = column;
    for (std::size_t row = column + 1; row < n; ++row) {
      pivot = std::fabs(matrix[row][column]) > std::fabs(matrix[pivot][column]) ? row : pivot;
    }
    std::swap(matrix[column], matrix[pivot]);
    std::swap(right[column], right[pivot]);
    for (std::size_t row = column + 1; row < n; ++row) {
      const double factor = matrix[row][column] / matrix[column][column];
      for (std::size_t k = column; k < n; ++k) {
        matrix[row][k] -= factor * matrix[column][k];
      }
      right[row] -= factor * right[column];
    }
  }
  for (std::size_t column = n; column-- > 0;) {
    for (std::size_t k = column + 1; k < n; ++k) {
      right[column] -= matrix[column][k] * right[k];
    }
    right[column] /= matrix[column][column];
  }
  std::fill(right.begin() + terms, right.end(), 0.0);
  return right;
}

Matrix normal_matrix(std::span<const double> angle_deg, double scale, int terms) {
  Matrix normal{};
  for (const double angle : angle_deg) {
    const Row row = powers(angle / scale, terms);
    for (std::size_t i = 0; i < static_cast<std::size_t>(terms); ++i) {
      for (std::size_t j = 0; j < static_cast<std::size_t>(terms); ++j) {
        normal[i][j] += row[i] * row[j];
      }
    }
  }
  return normal;
}

double value_at(const Row& coefficient, double x) {
  double value = 0;
  for (std::size_t i = coefficient.size(); i-- > 0;) {
    value = value * x + coefficient[i];
  }
  return value;
}

}  // namespace

FittedTime fit_time(std::span<const double> angle_deg, std::span<const double> t_ns, int degree) {
  const int terms = std::min({degree + 1, terms_max, static_cast<int>(angle_deg.size())});
  const double scale = scale_of(angle_deg);
  const Matrix normal = normal_matrix(angle_deg, scale, terms);
  Row right{};
  for (std::size_t p = 0; p < t_ns.size(); ++p) {
    const Row row = powers(angle_deg[p] / scale, terms);
    for (std::size_t i = 0; i < row.size(); ++i) {
      right[i] += row[i] * t_ns[p];
    }
  }
  Row unit{};
  unit[0] = 1;
  const Row coefficient = solve(normal, right, terms);
  const Row inverse = solve(normal, unit, terms);

  double squares = 0;
  double differences = 0;
  double before = 0;
  for (std::size_t p = 0; p < t_ns.size(); ++p) {
    const double residual = t_ns[p] - value_at(coefficient, angle_deg[p] / scale);
    squares += residual * residual;
    differences += p > 0 ? (residual - before) * (residual - before) : 0;
    before = residual;
  }
  FittedTime fitted;
  fitted.t_ns = coefficient[0];
  fitted.ns_per_deg = terms > 1 ? coefficient[1] / scale : 0;
  fitted.freedom = static_cast<int>(t_ns.size()) - terms;
  fitted.residual_ns = fitted.freedom > 0 ? std::sqrt(squares / fitted.freedom) : 0;
  fitted.unlikeness = fitted.freedom > 0 && squares > 0 ? differences / squares : 0;
  fitted.noise_gain = std::sqrt(std::max(0.0, inverse[0]));
  return fitted;
}

}  // namespace cw
