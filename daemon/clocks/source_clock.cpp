#include "clocks/source_clock.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace cw {

namespace {

constexpr std::int64_t stretch_ns = 1'000'000'000;
constexpr double horizon_ns = 128e9;  // crystals wander with temperature: what is older says less than it misleads
constexpr std::size_t points_min = 4;
constexpr std::size_t points_newest = 8;
// An arrival that comes so much before the line says that it could has another clock. A host whose clock is slewed by
// NTP (at most 500 ppm) stays within.
constexpr double early_step_ns = 5e6;
// So much later for so many stretches on end: not a queue.
constexpr double late_step_ns = 50e6;
constexpr std::size_t late_points = 10;

constexpr double skew_max = 0.01;  // a ceramic resonator is within 0.005: beyond, it is no clock
constexpr double ns_max = 4e18;    // what an int64 surely holds

// Wraps around instead of being undefined: times that far apart are no times, and are seen as a step.
std::int64_t difference(std::int64_t a, std::int64_t b) {
  return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) - static_cast<std::uint64_t>(b));
}

std::int64_t whole_ns(double ns) {
  return std::llround(std::clamp(ns, -ns_max, ns_max));
}

std::int64_t sum(std::int64_t a, std::int64_t b) {
  return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) + static_cast<std::uint64_t>(b));
}

double median(std::vector<double>& values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

double SourceClock::source_ns(const Arrival& arrival) const {
  return static_cast<double>(difference(arrival.source_ns, origin_.source_ns));
}

double SourceClock::delay_ns(const Arrival& arrival) const {
  return static_cast<double>(
      difference(difference(arrival.host_ns, origin_.host_ns), difference(arrival.source_ns, origin_.source_ns)));
}

void SourceClock::restart() {
  SourceClock fresh(settings_);
  fresh.exact_ = exact_;
  fresh.step_ = step_;
  *this = std::move(fresh);
}

void SourceClock::take_newest() {
  const Arrival arrival{newest_source_ns_, newest_host_ns_};
  if (exact_) {
    const std::int64_t shift_ns = difference(arrival.host_ns, arrival.source_ns);
    shift_ns_ = std::min(shift_ns_.value_or(shift_ns), shift_ns);
    return;
  }
  if (in_stretch_ && (arrival.source_ns < last_.source_ns || arrival.host_ns < last_.host_ns)) {
    restart();
  }
  if (!in_stretch_) {
    origin_ = arrival;
    begin_stretch(arrival);
  } else if (difference(arrival.source_ns, stretch_start_ns_) >= stretch_ns ||
             difference(arrival.source_ns, stretch_start_ns_) < 0) {
    end_stretch();
    begin_stretch(arrival);
  }
  const double slope = line_ ? line_->slope : 0;
  const double delay = delay_ns(arrival) - slope * source_ns(arrival);
  if (delay < least_delay_ns_) {
    least_delay_ns_ = delay;
    least_ = arrival;
  }
  last_ = arrival;
}

void SourceClock::begin_stretch(const Arrival& arrival) {
  in_stretch_ = true;
  stretch_start_ns_ = arrival.source_ns;
  least_ = arrival;
  least_delay_ns_ = delay_ns(arrival) - (line_ ? line_->slope : 0) * source_ns(arrival);
}

void SourceClock::end_stretch() {
  const DelayPoint point{source_ns(least_), delay_ns(least_)};
  if (line_) {
    const double beyond_ns = point.delay_ns - line_->at(point.source_ns);
    const bool early = beyond_ns < -early_step_ns;
    const auto is_late = [&](const DelayPoint& known) {
      return known.delay_ns - line_->at(known.source_ns) > late_step_ns;
    };
    const bool late = is_late(point) && points_.size() >= late_points &&
                      std::all_of(points_.end() - static_cast<std::ptrdiff_t>(late_points) + 1, points_.end(), is_late);
    if (early || late) {
      step_ = ClockStep{least_.source_ns, least_.host_ns, static_cast<std::int64_t>(beyond_ns)};
      points_.clear();
      line_.reset();
    }
  }
  points_.push_back(point);
  const auto fresh = std::find_if(points_.begin(), points_.end(), [&](const DelayPoint& known) {
    return point.source_ns - known.source_ns <= horizon_ns;
  });
  points_.erase(points_.begin(), fresh);
  fit();
}

void SourceClock::fit() {
  line_.reset();
  if (points_.size() < points_min) {
    return;
  }
  line_ = lower_line(points_);
  if (!line_ || !(std::abs(line_->slope) <= skew_max)) {
    line_.reset();
    return;
  }
  std::vector<double> above;
  above.reserve(points_.size());
  for (const DelayPoint& point : points_) {
    above.push_back(point.delay_ns - line_->at(point.source_ns));
  }
  // What the quickest arrivals of a stretch still wait is what the line can be wrong by; the newest ones also show a
  // crystal that wanders.
  std::vector<double> newest(above.end() - static_cast<std::ptrdiff_t>(std::min(above.size(), points_newest)),
                             above.end());
  fit_uncertainty_ns_ = std::max(median(above), median(newest));
  slope_uncertainty_ = 2 * fit_uncertainty_ns_ / (points_.back().source_ns - points_.front().source_ns);
}

std::optional<ClockReading> SourceClock::at(std::int64_t source_ns) const {
  if (exact_ && any_) {
    const std::int64_t shift_ns = difference(newest_host_ns_, newest_source_ns_);
    return ClockReading{sum(source_ns, std::min(shift_ns_.value_or(shift_ns), shift_ns)), 0, 0};
  }
  if (exact_ || !line_) {
    return std::nullopt;
  }
  const double from_origin_ns = static_cast<double>(difference(source_ns, origin_.source_ns));
  const double outside_ns =
      std::max({0.0, from_origin_ns - points_.back().source_ns, points_.front().source_ns - from_origin_ns});
  const std::int64_t fitted_ns =
      sum(difference(origin_.host_ns, origin_.source_ns), whole_ns(line_->at(from_origin_ns)));
  ClockReading reading;
  reading.host_ns = difference(sum(source_ns, fitted_ns), settings_.least_delay_ns);
  reading.skew_ppm = line_->slope * 1e6;
  reading.uncertainty_ns = settings_.least_delay_uncertainty_ns +
                           whole_ns(std::min(fit_uncertainty_ns_ + slope_uncertainty_ * outside_ns, ns_max / 2));
  return reading;
}

std::optional<ClockStep> SourceClock::take_step() {
  return std::exchange(step_, std::nullopt);
}

}  // namespace cw
