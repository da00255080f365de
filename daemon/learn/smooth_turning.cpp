#include "learn/smooth_turning.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "geometry/angle.hpp"

namespace cw::learn {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180;
constexpr double anywhere_deg = 60;  // where the fold begins
constexpr double bow_deg = 0.5;      // a steady change of speed, at the middle of the fold, of its scale

std::vector<double> wave_variances(const Turning& turning) {
  constexpr double at_firing = 0.47;
  constexpr double other = 0.06;
  constexpr double halving = 0.5;
  constexpr double whole = 1e-6;
  std::vector<double> variances;
  for (int order = 1; order <= turning.orders; ++order) {
    const double waves = order;
    const double multiple = waves / turning.firings;
    const bool firing = std::fabs(multiple - std::round(multiple)) < whole;
    double share = firing ? at_firing * std::pow(halving, multiple - 1) : turning.others * other / (1 + 0.2 * waves);
    if (turning.uneven) {
      share = at_firing * std::pow(halving, std::max(0.0, multiple - 1) / 1.5);
    }
    const double deg = turning.scale * share / waves / rad_per_deg;
    variances.push_back(deg * deg / 2);
  }
  return variances;
}

double wave_covariance(std::span<const double> variances, double apart_deg) {
  // cos((n+1)x) = 2 cos x cos(nx) - cos((n-1)x)
  const double cosine = std::cos(apart_deg * rad_per_deg);
  double before = 1;
  double now = cosine;
  double sum = 0;
  for (const double variance : variances) {
    sum += variance * now;
    const double next = 2 * cosine * now - before;
    before = now;
    now = next;
  }
  return sum;
}

}  // namespace

double usual_scale(double rpm) {
  constexpr double cranked_rpm = 150;
  constexpr double firing = 3;
  const double ratio = cranked_rpm / std::max(rpm, cranked_rpm);
  return std::clamp(firing * ratio * ratio, 0.005, 1.0);
}

double free_sd_deg(const Turning& turning, double from_deg, double to_deg) {
  const std::vector<double> variances = wave_variances(turning);
  return std::sqrt(std::max(0.0, 2 * (wave_covariance(variances, 0) - wave_covariance(variances, from_deg - to_deg))));
}

SmoothTurning::SmoothTurning(std::span<const double> at_deg, const Turning& turning,
                             std::span<const std::vector<double>> more)
    : edge_deg_(turning.edge_deg), edges_(at_deg.size()) {
  constexpr double least_deg = 1e-4;
  for (const double variance : wave_variances(turning)) {
    size_deg_.push_back(std::sqrt(variance) < least_deg ? 0 : std::sqrt(variance));
  }
  for (std::size_t i = 0; i < at_deg.size(); ++i) {
    std::vector<double> columns = columns_at(at_deg[i]);
    if (!more.empty()) {
      columns.insert(columns.end(), more[i].begin(), more[i].end());
    }
    columns_ = columns.size();
    basis_.insert(basis_.end(), columns.begin(), columns.end());
  }
  factor();
}

// One for where the fold begins, one for a steady change of speed, two for each wave.
std::vector<double> SmoothTurning::columns_at(double time_deg) const {
  const double share = wrap_deg(time_deg, deg_per_rev) / deg_per_rev;
  std::vector<double> columns = {anywhere_deg, bow_deg * 4 * share * (1 - share)};
  for (std::size_t i = 0; i < size_deg_.size(); ++i) {
    if (size_deg_[i] > 0) {
      const double rad = static_cast<double>(i + 1) * time_deg * rad_per_deg;
      columns.push_back(size_deg_[i] * std::cos(rad));
      columns.push_back(size_deg_[i] * std::sin(rad));
    }
  }
  return columns;
}

// Cholesky.
void SmoothTurning::factor() {
  const std::size_t n = columns_;
  lower_.assign(n * n, 0.0);
  for (std::size_t e = 0; e < edges_; ++e) {
    const double* row = &basis_[e * n];
    for (std::size_t i = 0; i < n; ++i) {
      for (std::size_t j = 0; j <= i; ++j) {
        lower_[i * n + j] += row[i] * row[j];
      }
    }
  }
  const double variance = edge_deg_ * edge_deg_;
  log_determinant_ = (static_cast<double>(edges_) - static_cast<double>(n)) * std::log(variance);
  for (std::size_t i = 0; i < n; ++i) {
    lower_[i * n + i] += variance;
    for (std::size_t j = 0; j <= i; ++j) {
      double sum = lower_[i * n + j];
      for (std::size_t k = 0; k < j; ++k) {
        sum -= lower_[i * n + k] * lower_[j * n + k];
      }
      lower_[i * n + j] = i == j ? std::sqrt(std::max(sum, 1e-12)) : sum / lower_[j * n + j];
    }
    log_determinant_ += 2 * std::log(lower_[i * n + i]);
  }
}

std::vector<double> SmoothTurning::project(std::span<const double> ahead_deg) const {
  std::vector<double> sums(columns_, 0.0);
  for (std::size_t e = 0; e < edges_; ++e) {
    for (std::size_t i = 0; i < columns_; ++i) {
      sums[i] += basis_[e * columns_ + i] * ahead_deg[e];
    }
  }
  return sums;
}

std::vector<double> SmoothTurning::lower_solve(std::vector<double> right) const {
  for (std::size_t i = 0; i < columns_; ++i) {
    double sum = right[i];
    const double* row = &lower_[i * columns_];
    for (std::size_t k = 0; k < i; ++k) {
      sum -= row[k] * right[k];
    }
    right[i] = sum / row[i];
  }
  return right;
}

// Of edges whose squares add up to `square`.
double SmoothTurning::log_density(double square, std::span<const double> projected) const {
  constexpr double log_two_pi = 1.8378770664093453;
  const std::vector<double> solved = lower_solve({projected.begin(), projected.end()});
  for (const double value : solved) {
    square -= value * value;
  }
  const double quadratic = square / (edge_deg_ * edge_deg_);
  return -0.5 * (quadratic + log_determinant_ + static_cast<double>(edges_) * log_two_pi);
}

double SmoothTurning::log_evidence(std::span<const double> ahead_deg) const {
  double square = 0;
  for (const double ahead : ahead_deg) {
    square += ahead * ahead;
  }
  return log_density(square, project(ahead_deg));
}

std::vector<double> SmoothTurning::log_evidences(std::span<const double> ahead_deg, double shift_deg) const {
  std::vector<double> out(edges_);
  std::vector<double> projected = project(ahead_deg);
  double square = 0;
  for (const double ahead : ahead_deg) {
    square += ahead * ahead;
  }
  for (std::size_t k = edges_; k-- > 0;) {
    out[k] = log_density(square, projected);
    const double moved = ahead_deg[k] + shift_deg;
    square += moved * moved - ahead_deg[k] * ahead_deg[k];
    for (std::size_t i = 0; i < columns_; ++i) {
      projected[i] += basis_[k * columns_ + i] * shift_deg;
    }
  }
  return out;
}

SmoothTurning::Estimate SmoothTurning::at(double time_deg, std::span<const double> ahead_deg) const {
  return at(time_deg, {}, ahead_deg);
}

SmoothTurning::Estimate SmoothTurning::at(std::optional<double> time_deg, std::span<const double> more,
                                          std::span<const double> ahead_deg) const {
  std::vector<double> columns(columns_, 0.0);
  if (time_deg) {
    const std::vector<double> waves = columns_at(*time_deg);
    std::copy(waves.begin(), waves.end(), columns.begin());
  }
  std::copy(more.begin(), more.end(), columns.end() - static_cast<std::ptrdiff_t>(more.size()));
  const std::vector<double> here = lower_solve(columns);
  const std::vector<double> seen = lower_solve(project(ahead_deg));
  Estimate estimate;
  double variance = 0;
  for (std::size_t i = 0; i < columns_; ++i) {
    estimate.ahead_deg += here[i] * seen[i];
    variance += here[i] * here[i];
  }
  estimate.sd_deg = edge_deg_ * std::sqrt(variance);
  return estimate;
}

}  // namespace cw::learn
