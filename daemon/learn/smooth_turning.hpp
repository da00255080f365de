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
#include <optional>
#include <span>
#include <vector>

namespace cw::learn {

struct Turning {
  double firings = 2;   // in a fold; 1.5: three in two folds, of which only whole multiples stay on average
  bool uneven = false;  // every order may be as strong as the firing order
  double scale = 1;
  double edge_deg = 0.1;  // standard deviation of a tooth's place, fold degrees
  int orders = 24;        // waves in a fold, the most
  double others = 1;      // times the usual size of waves that are not of the firing order
};

// By speed: 1 up to 150 rpm cranking, then as three times the square of it: a firing engine swings harder than a cranked
// one (tests/campaign draws it likewise).
double usual_scale(double rpm);

// Standard deviation of the angle between two times, from the waves alone, with nothing seen.
double free_sd_deg(const Turning& turning, double from_deg, double to_deg);

// The waves as a linear model: covariance of the edges = edge_deg^2 I + B B', each column of B a wave of its usual size;
// so all is done in the space of the waves (a matrix of some 50 by 50), however many edges there are.
class SmoothTurning {
 public:
  // `at_deg`: times, fold degrees, of the edges. `more`: what else is unknown of them, a row an edge, each unknown of standard
  // deviation 1 (so a number in it is a size in degrees); empty, or as many rows as edges, all as long.
  SmoothTurning(std::span<const double> at_deg, const Turning& turning, std::span<const std::vector<double>> more = {});

  // Log of the density of `ahead_deg`, angle less time of each edge.
  double log_evidence(std::span<const double> ahead_deg) const;

  // The same for each k with all edges after the k-th moved by `shift_deg`.
  std::vector<double> log_evidences(std::span<const double> ahead_deg, double shift_deg) const;

  struct Estimate {
    double ahead_deg = 0;
    double sd_deg = 0;
  };
  // At another time, given those of the edges.
  Estimate at(double time_deg, std::span<const double> ahead_deg) const;
  // At another time plus the unknowns of `more`; without a time of those alone.
  Estimate at(std::optional<double> time_deg, std::span<const double> more, std::span<const double> ahead_deg) const;

 private:
  std::vector<double> columns_at(double time_deg) const;
  std::vector<double> project(std::span<const double> ahead_deg) const;
  std::vector<double> lower_solve(std::vector<double> right) const;
  double log_density(double square, std::span<const double> projected) const;
  void factor();

  double edge_deg_;
  std::vector<double> size_deg_;  // of the wave of each order, from 1
  std::size_t columns_ = 0;
  std::size_t edges_ = 0;
  std::vector<double> basis_;  // edge by edge
  std::vector<double> lower_;  // of edge_deg^2 I + B'B
  double log_determinant_ = 0;
};

}  // namespace cw::learn
