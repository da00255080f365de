// The other published form of the line below a cloud of delays, to hold clocks/lower_line.hpp against: the linear
// programme of Moon, Skelly and Towsley (INFOCOM 1999, 227-234): the greatest height at the mean source time of a line
// that no point lies below. In the slope alone: maximise the least of `delay_i - slope * (source_i - mean)`. Solved in
// O(N) by pruning pairs of constraints about the median of their crossings (Megiddo, "Linear-time algorithms for linear
// programming in R3 and related problems", SIAM J. Computing 12(4), 1983; Dyer 1984). No hull in it.
#pragma once

#include <algorithm>
#include <limits>
#include <span>
#include <utility>
#include <vector>

#include "clocks/lower_line.hpp"

namespace cw::test {

struct Constraint {
  double x = 0;  // source time from the mean
  double y = 0;  // delay
  double at(double slope) const { return y - slope * x; }
};

inline double least_at(const std::vector<Constraint>& all, double slope) {
  double least = std::numeric_limits<double>::infinity();
  for (const Constraint& one : all) {
    least = std::min(least, one.at(slope));
  }
  return least;
}

// Where the optimum lies from `slope`: +1 greater, -1 less, 0 here. The least of lines rises with the slope as long as a
// point before the mean (x < 0) is the one that binds.
inline int side_of_optimum(const std::vector<Constraint>& all, double slope) {
  const double least = least_at(all, slope);
  const double alike = 1e-12 * (1 + std::abs(least));
  double x_min = std::numeric_limits<double>::infinity();
  double x_max = -x_min;
  for (const Constraint& one : all) {
    if (one.at(slope) <= least + alike) {
      x_min = std::min(x_min, one.x);
      x_max = std::max(x_max, one.x);
    }
  }
  return x_max < 0 ? 1 : x_min > 0 ? -1 : 0;
}

// One round: at least a quarter of the constraints go, or the optimum is found (true).
inline bool prune(std::vector<Constraint>& left, double& slope) {
  std::vector<std::pair<double, std::pair<Constraint, Constraint>>> crossings;
  std::vector<Constraint> kept;
  for (std::size_t i = 0; i + 1 < left.size(); i += 2) {
    Constraint a = left[i];
    Constraint b = left[i + 1];
    if (a.x == b.x) {
      kept.push_back(a.y < b.y ? a : b);
      continue;
    }
    if (a.x > b.x) {
      std::swap(a, b);
    }
    crossings.push_back({(b.y - a.y) / (b.x - a.x), {a, b}});
  }
  if (left.size() % 2 != 0) {
    kept.push_back(left.back());
  }
  if (!crossings.empty()) {
    const auto middle = crossings.begin() + static_cast<std::ptrdiff_t>(crossings.size() / 2);
    std::nth_element(crossings.begin(), middle, crossings.end(),
                     [](const auto& p, const auto& q) { return p.first < q.first; });
    slope = middle->first;
    const int side = side_of_optimum(left, slope);
    if (side == 0) {
      return true;
    }
    for (const auto& [at, pair] : crossings) {
      const bool decided = side > 0 ? at <= slope : at >= slope;
      if (decided) {  // right of their crossing the one with greater x is the lower
        kept.push_back(side > 0 ? pair.second : pair.first);
      } else {
        kept.push_back(pair.first);
        kept.push_back(pair.second);
      }
    }
  }
  left = std::move(kept);
  return false;
}

inline DelayLine line_by_programme(std::span<const DelayPoint> points) {
  double mean_ns = 0;
  for (const DelayPoint& point : points) {
    mean_ns += point.source_ns / static_cast<double>(points.size());
  }
  std::vector<Constraint> all;
  for (const DelayPoint& point : points) {
    all.push_back({point.source_ns - mean_ns, point.delay_ns});
  }
  std::vector<Constraint> left = all;
  double slope = 0;
  while (left.size() > 3 && !prune(left, slope)) {
  }
  if (left.size() <= 3) {  // two or three constraints: one of their crossings
    double best = -std::numeric_limits<double>::infinity();
    for (const Constraint& a : left) {
      for (const Constraint& b : left) {
        if (a.x < b.x && least_at(left, (b.y - a.y) / (b.x - a.x)) > best) {
          best = least_at(left, (b.y - a.y) / (b.x - a.x));
          slope = (b.y - a.y) / (b.x - a.x);
        }
      }
    }
  }
  return {least_at(all, slope) - slope * mean_ns, slope};
}

}  // namespace cw::test
