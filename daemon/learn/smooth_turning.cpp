#include "learn/smooth_turning.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "geometry/angle.hpp"

namespace cw::learn {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180;
constexpr std::size_t orders = 40;
constexpr double anywhere_deg = 60;  // where the fold begins
constexpr double bow_deg = 0.5;      // a steady change of speed, at the middle of the fold, of its scale

std::vector<double> wave_variances(const Turning& turning) {
  constexpr double at_firing = 0.47;
  constexpr double other = 0.06;
  constexpr double halving = 0.5;
  constexpr double whole = 1e-6;
  std::vector<double> variances;
  for (std::size_t order = 1; order <= orders; ++order) {
    const auto waves = static_cast<double>(order);
    const double multiple = waves / turning.firings;
    const bool firing = std::fabs(multiple - std::round(multiple)) < whole;
    double share = firing ? at_firing * std::pow(halving, multiple - 1) : other / (1 + 0.2 * waves);
    if (turning.uneven) {
      share = at_firing * std::pow(halving, std::max(0.0, multiple - 1) / 1.5);
    }
    const double deg = turning.scale * share / waves / rad_per_deg;
    variances.push_back(deg * deg / 2);
  }
  return variances;
}

}  // namespace

double usual_scale(double rpm) {
  constexpr double cranked_rpm = 150;
  constexpr double firing = 3;
  const double ratio = cranked_rpm / std::max(rpm, cranked_rpm);
  return std::clamp(firing * ratio * ratio, 0.005, 1.0);
}

Factored::Factored(std::vector<double> matrix, std::size_t size) : lower_(std::move(matrix)), size_(size) {
  for (std::size_t i = 0; i < size_; ++i) {
    for (std::size_t j = 0; j <= i; ++j) {
      double sum = lower_[i * size_ + j];
      const double* row_i = &lower_[i * size_];
      const double* row_j = &lower_[j * size_];
      for (std::size_t k = 0; k < j; ++k) {
        sum -= row_i[k] * row_j[k];
      }
      lower_[i * size_ + j] = i == j ? std::sqrt(std::max(sum, 1e-12)) : sum / lower_[j * size_ + j];
    }
    log_determinant_ += 2 * std::log(lower_[i * size_ + i]);
  }
}

std::vector<double> Factored::solve(std::span<const double> right) const {
  std::vector<double> x(right.begin(), right.end());
  for (std::size_t i = 0; i < size_; ++i) {
    for (std::size_t k = 0; k < i; ++k) {
      x[i] -= lower_[i * size_ + k] * x[k];
    }
    x[i] /= lower_[i * size_ + i];
  }
  for (std::size_t i = size_; i-- > 0;) {
    for (std::size_t k = i + 1; k < size_; ++k) {
      x[i] -= lower_[k * size_ + i] * x[k];
    }
    x[i] /= lower_[i * size_ + i];
  }
  return x;
}

std::vector<double> Factored::inverse() const {
  std::vector<double> out(size_ * size_);
  std::vector<double> unit(size_, 0.0);
  for (std::size_t i = 0; i < size_; ++i) {
    unit[i] = 1;
    const std::vector<double> column = solve(unit);
    unit[i] = 0;
    std::copy(column.begin(), column.end(), out.begin() + static_cast<std::ptrdiff_t>(i * size_));
  }
  return out;
}

SmoothTurning::SmoothTurning(std::span<const double> at_deg, const Turning& turning)
    : at_deg_(at_deg.begin(), at_deg.end()),
      edge_deg_(turning.edge_deg),
      variance_(wave_variances(turning)),
      factored_(matrix(), at_deg_.size()),
      inverse_(factored_.inverse()) {}

double SmoothTurning::wave_covariance(double apart_deg) const {
  // cos((n+1)x) = 2 cos x cos(nx) - cos((n-1)x)
  const double cosine = std::cos(apart_deg * rad_per_deg);
  double before = 1;
  double now = cosine;
  double sum = 0;
  for (const double variance : variance_) {
    sum += variance * now;
    const double next = 2 * cosine * now - before;
    before = now;
    now = next;
  }
  return sum;
}

double SmoothTurning::covariance(double a_deg, double b_deg) const {
  const auto bow = [](double deg) {
    const double share = wrap_deg(deg, deg_per_rev) / deg_per_rev;
    return 4 * share * (1 - share);
  };
  return anywhere_deg * anywhere_deg + bow_deg * bow_deg * bow(a_deg) * bow(b_deg) + wave_covariance(a_deg - b_deg);
}

std::vector<double> SmoothTurning::matrix() const {
  const std::size_t size = at_deg_.size();
  std::vector<double> out(size * size);
  for (std::size_t i = 0; i < size; ++i) {
    for (std::size_t j = 0; j <= i; ++j) {
      out[i * size + j] = out[j * size + i] = covariance(at_deg_[i], at_deg_[j]);
    }
    out[i * size + i] += edge_deg_ * edge_deg_;
  }
  return out;
}

double SmoothTurning::log_evidence(std::span<const double> ahead_deg) const {
  const std::size_t size = at_deg_.size();
  double quadratic = 0;
  for (std::size_t i = 0; i < size; ++i) {
    const double* row = &inverse_[i * size];
    double sum = 0;
    for (std::size_t j = 0; j < size; ++j) {
      sum += row[j] * ahead_deg[j];
    }
    quadratic += sum * ahead_deg[i];
  }
  constexpr double log_two_pi = 1.8378770664093453;
  return -0.5 * (quadratic + factored_.log_determinant() + static_cast<double>(size) * log_two_pi);
}

SmoothTurning::Estimate SmoothTurning::at(double time_deg, std::span<const double> ahead_deg) const {
  const std::size_t size = at_deg_.size();
  std::vector<double> to_edges(size);
  for (std::size_t i = 0; i < size; ++i) {
    to_edges[i] = covariance(time_deg, at_deg_[i]);
  }
  const std::vector<double> weights = factored_.solve(to_edges);
  Estimate estimate;
  double variance = covariance(time_deg, time_deg);
  for (std::size_t i = 0; i < size; ++i) {
    estimate.ahead_deg += weights[i] * ahead_deg[i];
    variance -= weights[i] * to_edges[i];
  }
  estimate.sd_deg = std::sqrt(std::max(0.0, variance));
  return estimate;
}

double SmoothTurning::free_sd_deg(double from_deg, double to_deg) const {
  return std::sqrt(std::max(0.0, 2 * (wave_covariance(0) - wave_covariance(from_deg - to_deg))));
}

}  // namespace cw::learn
