#include "clocks/source_clock.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace cw {

namespace {

constexpr std::int64_t stretch_ns = 1'000'000'000;
constexpr std::int64_t out_of_order_ns = 1'000'000'000;
constexpr double horizon_ns = 128e9;  // crystals wander with temperature: what is older says less than it misleads
constexpr std::size_t points_min = 4;
constexpr std::size_t points_newest = 8;
// By the table of tests/campaign/clock_table.cpp: so that 95 % and more of the errors are within what is stated.
constexpr double bend_weight = 1.5;
// An arrival that comes so much before the line says that it could has another clock. A host whose clock is slewed by
// NTP (at most 500 ppm) stays within.
constexpr double early_step_ns = 5e6;
constexpr double early_step_at_first_ns = 100e6;  // as long as a line may hang on slow arrivals only
constexpr std::size_t points_known = 16;
constexpr double early_uncertainties = 3;  // or so many times of what the line is uncertain by there
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

double wait_ns(const DelayPoint& point, const DelayLine& line) {
  return point.delay_ns - line.at(point.source_ns);
}

// What the quicker quarter of the points waits: the line hangs on such points, and is too late by what they wait.
double quick_wait_ns(const std::vector<DelayPoint>& points, const DelayLine& line) {
  std::vector<double> waits_ns;
  waits_ns.reserve(points.size());
  for (const DelayPoint& point : points) {
    waits_ns.push_back(wait_ns(point, line));
  }
  const auto quarter = waits_ns.begin() + static_cast<std::ptrdiff_t>(waits_ns.size() / 4);
  std::nth_element(waits_ns.begin(), quarter, waits_ns.end());
  return *quarter;
}

// What the quickest of the newest points waits: much, when the clock was set back by too little to be told as a step.
double newest_wait_ns(const std::vector<DelayPoint>& points, const DelayLine& line) {
  double least_ns = wait_ns(points.back(), line);
  for (std::size_t i = points.size() - std::min(points.size(), points_newest); i < points.size(); ++i) {
    least_ns = std::min(least_ns, wait_ns(points[i], line));
  }
  return least_ns;
}

// How far the line of the newer half of the points is from that of all of them, at the newest: a crystal that wanders
// bends what should be straight.
double bend_ns(const std::vector<DelayPoint>& points, const DelayLine& line) {
  const auto newer = lower_line(std::span(points).subspan(points.size() / 2));
  const double newest_ns = points.back().source_ns;
  return newer ? std::abs(newer->at(newest_ns) - line.at(newest_ns)) : 0;
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

void SourceClock::host_is_made_from_source() {
  exact_ = true;
  settled_ = any_;
  if (any_ && !in_stretch_) {
    origin_ = {newest_source_ns_, newest_host_ns_};
  }
}

void SourceClock::next_arrival(std::int64_t source_ns, std::int64_t host_ns) {
  if (any_) {
    take_newest();
  }
  if (exact_) {
    origin_ = {source_ns, host_ns};
    settled_ = true;
  }
  any_ = true;
  newest_host_ns_ = host_ns;
}

void SourceClock::take_newest() {
  const Arrival arrival{newest_source_ns_, newest_host_ns_};
  const std::int64_t ahead_ns = difference(arrival.source_ns, last_.source_ns);
  if (in_stretch_ && (ahead_ns < -out_of_order_ns || arrival.host_ns < last_.host_ns)) {
    restart();
  } else if (in_stretch_ && arrival.source_ns < stretch_start_ns_) {
    return;
  }
  if (line_ && beyond_line_ns(arrival) < -early_limit_ns(source_ns(arrival))) {
    begin_after_step(arrival);
  }
  if (!in_stretch_) {
    origin_ = arrival;
    begin_stretch(arrival);
  } else if (const std::int64_t into_ns = difference(arrival.source_ns, stretch_start_ns_);
             into_ns >= stretch_ns || into_ns < 0) {
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

double SourceClock::beyond_line_ns(const Arrival& arrival) const {
  return delay_ns(arrival) - line_->at(source_ns(arrival));
}

double SourceClock::early_limit_ns(double source_ns) const {
  return std::max(points_.size() < points_known ? early_step_at_first_ns : early_step_ns,
                  early_uncertainties * uncertainty_ns(source_ns));
}

double SourceClock::uncertainty_ns(double source_ns) const {
  const double outside_ns =
      std::max({0.0, source_ns - points_.back().source_ns, points_.front().source_ns - source_ns});
  return fit_uncertainty_ns_ + slope_uncertainty_ * outside_ns;
}

void SourceClock::begin_after_step(const Arrival& arrival) {
  step_ = ClockStep{arrival.source_ns, arrival.host_ns, whole_ns(beyond_line_ns(arrival))};
  points_.clear();
  line_.reset();
  begin_stretch(arrival);
}

// Whether the newest stretches, the one with `point` among them, were all later than a queue makes them.
bool SourceClock::is_late_step(const DelayPoint& point) const {
  const auto is_late = [&](const DelayPoint& known) { return wait_ns(known, *line_) > late_step_ns; };
  return is_late(point) && points_.size() >= late_points &&
         std::all_of(points_.end() - static_cast<std::ptrdiff_t>(late_points) + 1, points_.end(), is_late);
}

void SourceClock::begin_stretch(const Arrival& arrival) {
  in_stretch_ = true;
  stretch_start_ns_ = arrival.source_ns;
  least_ = arrival;
  least_delay_ns_ = delay_ns(arrival) - (line_ ? line_->slope : 0) * source_ns(arrival);
}

void SourceClock::end_stretch() {
  const DelayPoint point{source_ns(least_), delay_ns(least_)};
  if (line_ && is_late_step(point)) {
    begin_after_step(least_);
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
  fit_uncertainty_ns_ = std::max(quick_wait_ns(points_, *line_), newest_wait_ns(points_, *line_)) +
                        bend_weight * bend_ns(points_, *line_);
  slope_uncertainty_ = 2 * fit_uncertainty_ns_ / (points_.back().source_ns - points_.front().source_ns);
}

std::optional<ClockReading> SourceClock::at(std::int64_t source_ns) const {
  if (exact_ && any_) {
    return ClockReading{sum(source_ns, difference(origin_.host_ns, origin_.source_ns)), 0, 0};
  }
  if (exact_ || !line_) {
    return std::nullopt;
  }
  const double from_origin_ns = static_cast<double>(difference(source_ns, origin_.source_ns));
  const std::int64_t fitted_ns =
      sum(difference(origin_.host_ns, origin_.source_ns), whole_ns(line_->at(from_origin_ns)));
  ClockReading reading;
  reading.host_ns = difference(sum(source_ns, fitted_ns), settings_.least_delay_ns);
  reading.skew_ppm = line_->slope * 1e6;
  reading.uncertainty_ns =
      settings_.least_delay_uncertainty_ns + whole_ns(std::min(uncertainty_ns(from_origin_ns), ns_max / 2));
  return reading;
}

std::optional<std::int64_t> SourceClock::host_of(std::int64_t source_ns) const {
  if (const auto reading = at(source_ns)) {
    return reading->host_ns;
  }
  if (!any_) {
    return std::nullopt;
  }
  const auto late_ns = [](const Arrival& arrival) { return difference(arrival.host_ns, arrival.source_ns); };
  std::int64_t least_ns = late_ns({newest_source_ns_, newest_host_ns_});
  if (in_stretch_) {
    least_ns = std::min(least_ns, late_ns(least_));
  }
  for (std::size_t i = points_.size() - std::min(points_.size(), points_newest); i < points_.size(); ++i) {
    least_ns = std::min(least_ns, sum(late_ns(origin_), whole_ns(points_[i].delay_ns)));
  }
  return difference(sum(source_ns, least_ns), settings_.least_delay_ns);
}

std::optional<ClockStep> SourceClock::take_step() {
  return std::exchange(step_, std::nullopt);
}

}  // namespace cw
