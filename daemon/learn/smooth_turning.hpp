// How far a crank that turns unevenly may be from where an even one would be, as a probability: the angle less the time (both
// in fold degrees) is a sum of waves, firing orders above all, of unknown size. Normal distributions throughout, so that
// how well a wheel explains the times is one number (log evidence), and what it leaves open another.
//
// A speed of mean (1 + a cos(m x)) puts the angle ahead of the time by (a / m) sin(m x) radians, whatever the fold is.
// The sizes: the published cranking record (Tech Briefs, test and measurement 21269; mean 150, least 85, greatest 225 rpm)
// has a = 0.47 at the firing order; halving with each multiple is our own, and 0.06 for what is not of the firing order
// (cylinders that differ). `scale` multiplies all of them: one torque on one inertia swings a crank that turns twice as
// fast a quarter as much (kinetic energy).
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace cw::learn {

struct Turning {
  double firings = 2;   // in a fold; 1.5: three in two folds, of which only whole multiples stay on average
  bool uneven = false;  // every order may be as strong as the firing order
  double scale = 1;
  double edge_deg = 0.1;  // standard deviation of a tooth's place, fold degrees
};

// By speed: 1 up to 150 rpm cranking, then as three times the square of it: a firing engine swings harder than a cranked
// one (tests/campaign draws it likewise).
double usual_scale(double rpm);

// Symmetric positive definite matrix, factored once.
class Factored {
 public:
  explicit Factored(std::vector<double> matrix, std::size_t size);  // row by row
  double log_determinant() const { return log_determinant_; }
  std::vector<double> solve(std::span<const double> right) const;
  std::vector<double> inverse() const;  // row by row

 private:
  std::vector<double> lower_;
  std::size_t size_;
  double log_determinant_ = 0;
};

class SmoothTurning {
 public:
  // `at_deg`: times, fold degrees, of the edges.
  SmoothTurning(std::span<const double> at_deg, const Turning& turning);

  // Log of the density of `ahead_deg`, angle less time of each edge, up to the constant that all share.
  double log_evidence(std::span<const double> ahead_deg) const;

  struct Estimate {
    double ahead_deg = 0;
    double sd_deg = 0;
  };
  // At another time, given those of the edges.
  Estimate at(double time_deg, std::span<const double> ahead_deg) const;

  // Standard deviation of the angle between two times, from the waves alone, with nothing seen.
  double free_sd_deg(double from_deg, double to_deg) const;

 private:
  double wave_covariance(double apart_deg) const;
  double covariance(double a_deg, double b_deg) const;
  std::vector<double> matrix() const;

  std::vector<double> at_deg_;
  double edge_deg_;
  std::vector<double> variance_;  // of the wave of each order, from 1
  Factored factored_;
  std::vector<double> inverse_;
};

}  // namespace cw::learn
