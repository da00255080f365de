#include "clocks/lower_line.hpp"

namespace cw {

namespace {

// Whether `middle` lies on or above the line from `left` to `right`.
bool is_no_corner(const DelayPoint& left, const DelayPoint& middle, const DelayPoint& right) {
  return (middle.delay_ns - left.delay_ns) * (right.source_ns - left.source_ns) >=
         (right.delay_ns - left.delay_ns) * (middle.source_ns - left.source_ns);
}

DelayLine line_through(const DelayPoint& left, const DelayPoint& right) {
  DelayLine line;
  line.slope = (right.delay_ns - left.delay_ns) / (right.source_ns - left.source_ns);
  line.delay_at_zero_ns = left.delay_ns - line.slope * left.source_ns;
  return line;
}

double mean_source_ns(std::span<const DelayPoint> points) {
  double sum_ns = 0;
  for (const DelayPoint& point : points) {
    sum_ns += point.source_ns - points.front().source_ns;
  }
  return points.front().source_ns + sum_ns / static_cast<double>(points.size());
}

}  // namespace

std::vector<DelayPoint> lower_hull(std::span<const DelayPoint> points) {
  std::vector<DelayPoint> hull;
  for (const DelayPoint& point : points) {
    if (!hull.empty() && point.source_ns <= hull.back().source_ns) {
      if (point.delay_ns >= hull.back().delay_ns) {
        continue;
      }
      hull.pop_back();
    }
    while (hull.size() >= 2 && is_no_corner(hull[hull.size() - 2], hull.back(), point)) {
      hull.pop_back();
    }
    hull.push_back(point);
  }
  return hull;
}

std::optional<DelayLine> lower_line(std::span<const DelayPoint> points) {
  const std::vector<DelayPoint> hull = lower_hull(points);
  if (hull.size() < 2) {
    return std::nullopt;
  }
  // Below all points, the sum of the distances is least where the line is highest at the mean source time.
  const double mean_ns = mean_source_ns(points);
  std::size_t right = 1;
  while (right + 1 < hull.size() && hull[right].source_ns < mean_ns) {
    ++right;
  }
  return line_through(hull[right - 1], hull[right]);
}

}  // namespace cw
