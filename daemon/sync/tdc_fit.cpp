#include "sync/tdc_fit.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace cw {

namespace {

double scale_of(std::span<const double> angle_deg) {
  double scale = 0;
  for (const double angle : angle_deg) {
    scale = std::max(scale, std::fabs(angle));
  }
  return scale > 0 ? scale : 1.0;
}

}  // namespace

// Calls `work` with the number of terms as a constant: so the loops over terms have a fixed length, at half the cost.
template <std::size_t terms, typename Work>
auto TimeFit::with_terms(Work work) const {
  if constexpr (terms < terms_max) {
    if (terms < terms_) {
      return with_terms<terms + 1>(work);
    }
  }
  return work.template operator()<terms>();
}

TimeFit::TimeFit(std::span<const double> angle_deg, int degree)
    : angle_deg_(angle_deg.begin(), angle_deg.end()),
      terms_(std::min({static_cast<std::size_t>(degree) + 1, terms_max, angle_deg.size()})),
      scale_(scale_of(angle_deg)) {
  for (const double angle : angle_deg) {
    Row row{};
    double power = 1;
    for (std::size_t i = 0; i < terms_; ++i) {
      row[i] = power;
      power *= angle / scale_;
    }
    powers_.push_back(row);
    for (std::size_t i = 0; i < terms_; ++i) {
      for (std::size_t j = 0; j < terms_; ++j) {
        normal_[i][j] += row[i] * row[j];
      }
    }
  }
  eliminate();
  Row unit{};
  unit[0] = 1;
  const double gain = with_terms([&]<std::size_t terms>() { return solve<terms>(unit)[0]; });
  noise_gain_ = std::sqrt(std::max(0.0, gain));
}

// Gauss elimination with row exchange.
void TimeFit::eliminate() {
  for (std::size_t column = 0; column < terms_; ++column) {
    std::size_t pivot = column;
    for (std::size_t row = column + 1; row < terms_; ++row) {
      pivot = std::fabs(normal_[row][column]) > std::fabs(normal_[pivot][column]) ? row : pivot;
    }
    pivot_[column] = pivot;
    // Whole rows, with the factors that they were reduced by so far.
    std::swap(normal_[column], normal_[pivot]);
    for (std::size_t row = column + 1; row < terms_; ++row) {
      const double factor = normal_[row][column] / normal_[column][column];
      for (std::size_t k = column + 1; k < terms_; ++k) {
        normal_[row][k] -= factor * normal_[column][k];
      }
      normal_[row][column] = factor;
    }
  }
}

template <std::size_t terms>
TimeFit::Row TimeFit::solve(Row right) const {
  for (std::size_t column = 0; column < terms; ++column) {
    std::swap(right[column], right[pivot_[column]]);
  }
  for (std::size_t column = 0; column < terms; ++column) {
    for (std::size_t row = column + 1; row < terms; ++row) {
      right[row] -= normal_[row][column] * right[column];
    }
  }
  for (std::size_t column = terms; column-- > 0;) {
    for (std::size_t k = column + 1; k < terms; ++k) {
      right[column] -= normal_[column][k] * right[k];
    }
    right[column] /= normal_[column][column];
  }
  return right;
}

FittedTime TimeFit::through(std::span<const double> t_ns) const {
  return with_terms([&]<std::size_t terms>() { return through_with<terms>(t_ns); });
}

double TimeFit::time_at_0_ns(std::span<const double> t_ns) const {
  return with_terms([&]<std::size_t terms>() { return coefficients<terms>(t_ns)[0]; });
}

template <std::size_t terms>
TimeFit::Row TimeFit::coefficients(std::span<const double> t_ns) const {
  Row right{};
  for (std::size_t p = 0; p < t_ns.size(); ++p) {
    for (std::size_t i = 0; i < terms; ++i) {
      right[i] += powers_[p][i] * t_ns[p];
    }
  }
  return solve<terms>(right);
}

template <std::size_t terms>
FittedTime TimeFit::through_with(std::span<const double> t_ns) const {
  const Row coefficient = coefficients<terms>(t_ns);
  double squares = 0;
  double differences = 0;
  double before = 0;
  for (std::size_t p = 0; p < t_ns.size(); ++p) {
    double value = 0;
    for (std::size_t i = terms; i-- > 0;) {
      value = value * (angle_deg_[p] / scale_) + coefficient[i];
    }
    const double residual = t_ns[p] - value;
    squares += residual * residual;
    differences += p > 0 ? (residual - before) * (residual - before) : 0;
    before = residual;
  }
  FittedTime fitted;
  fitted.t_ns = coefficient[0];
  fitted.ns_per_deg = terms > 1 ? coefficient[1] / scale_ : 0;
  fitted.freedom = static_cast<int>(t_ns.size()) - static_cast<int>(terms);
  fitted.residual_ns = fitted.freedom > 0 ? std::sqrt(squares / fitted.freedom) : 0;
  fitted.unlikeness = fitted.freedom > 0 && squares > 0 ? differences / squares : 0;
  fitted.noise_gain = noise_gain_;
  return fitted;
}

FittedTime fit_time(std::span<const double> angle_deg, std::span<const double> t_ns, int degree) {
  return TimeFit(angle_deg, degree).through(t_ns);
}

}  // namespace cw
