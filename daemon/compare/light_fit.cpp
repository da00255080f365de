#include "compare/light_fit.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "geometry/angle.hpp"

namespace cw {

namespace {

constexpr double us_to_deg_at_1_rpm = deg_per_s_per_rpm * 1e-6;

struct Range {
  double least = -std::numeric_limits<double>::infinity();
  double greatest = std::numeric_limits<double>::infinity();
  bool empty() const { return least > greatest; }
  Estimate estimate() const { return {(least + greatest) / 2, (greatest - least) / 2}; }
};

struct Band {
  double rpm = 0;
  double least_deg = 0;
  double greatest_deg = 0;
};

// Offsets that agree with all bands when the delay is `delay_us`.
Range offsets_at(std::span<const Band> bands, double delay_us) {
  Range range;
  for (const Band& band : bands) {
    const double of_delay = us_to_deg_at_1_rpm * band.rpm * delay_us;
    range.least = std::max(range.least, band.least_deg - of_delay);
    range.greatest = std::min(range.greatest, band.greatest_deg - of_delay);
  }
  return range;
}

// Delays at which two limits meet: between neighbours of these the range of offsets has straight sides.
std::vector<double> corners(std::span<const Band> bands) {
  std::vector<double> out = {-delay_believed_us_max, delay_believed_us_max};
  for (const Band& a : bands) {
    for (const Band& b : bands) {
      const double slope = us_to_deg_at_1_rpm * (a.rpm - b.rpm);
      if (std::fabs(slope) < 1e-12) {
        continue;
      }
      for (const double delay : {(a.greatest_deg - b.least_deg) / slope, (a.greatest_deg - b.greatest_deg) / slope,
                                 (a.least_deg - b.least_deg) / slope}) {
        if (std::fabs(delay) <= delay_believed_us_max) {
          out.push_back(delay);
        }
      }
    }
  }
  return out;
}

// Every offset and every delay of some pair that no band contradicts.
struct Feasible {
  Range offset{std::numeric_limits<double>::infinity(), -std::numeric_limits<double>::infinity()};
  Range delay{std::numeric_limits<double>::infinity(), -std::numeric_limits<double>::infinity()};
};
Feasible feasible(std::span<const Band> bands) {
  constexpr double rounding_deg = 1e-9;
  Feasible all;
  for (const double delay : corners(bands)) {
    const Range offsets = offsets_at(bands, delay);
    if (offsets.least <= offsets.greatest + rounding_deg) {
      all.offset = {std::min(all.offset.least, offsets.least), std::max(all.offset.greatest, offsets.greatest)};
      all.delay = {std::min(all.delay.least, delay), std::max(all.delay.greatest, delay)};
    }
  }
  return all;
}

// Whether a delay alone, and no angle, agrees with all bands.
bool delay_alone(std::span<const Band> bands) {
  Range range{-delay_believed_us_max, delay_believed_us_max};
  for (const Band& band : bands) {
    const double scale = us_to_deg_at_1_rpm * band.rpm;
    range.least = std::max(range.least, band.least_deg / scale);
    range.greatest = std::min(range.greatest, band.greatest_deg / scale);
  }
  return !range.empty();
}

OffsetVerdict verdict_of(std::span<const Band> bands, bool speeds_known) {
  const Range angle_alone = offsets_at(bands, 0);
  const bool angle_does = !angle_alone.empty();
  if (angle_does && angle_alone.least <= 0 && angle_alone.greatest >= 0) {
    return OffsetVerdict::no_error;
  }
  if (!speeds_known) {
    return angle_does ? OffsetVerdict::cannot_tell_yet : OffsetVerdict::no_line;
  }
  const bool delay_does = delay_alone(bands);
  if (angle_does) {
    return delay_does ? OffsetVerdict::cannot_tell_yet : OffsetVerdict::angle;
  }
  return delay_does ? OffsetVerdict::delay : OffsetVerdict::angle_and_delay;
}

}  // namespace

double lateness_deg(const LightReading& reading) {
  return wrap_signed_deg(reading.commanded_deg - reading.seen_deg, deg_per_rev);
}

OffsetFit fit_light(std::span<const LightReading> readings, double bound_deg) {
  OffsetFit fit;
  if (readings.empty()) {
    return fit;
  }
  const double first_deg = lateness_deg(readings.front());
  std::vector<Band> bands;
  fit.least_rpm = std::numeric_limits<double>::infinity();
  double sum = 0;
  const bool speeds_known = std::all_of(readings.begin(), readings.end(),
                                        [](const LightReading& reading) { return reading.rpm.has_value(); });
  for (const LightReading& reading : readings) {
    // Near half a turn the readings must fall on one side.
    const double late = first_deg + wrap_signed_deg(lateness_deg(reading) - first_deg, deg_per_rev);
    const double rpm = speeds_known ? *reading.rpm : 0;
    bands.push_back({rpm, late - bound_deg, late + bound_deg});
    fit.least_rpm = std::min(fit.least_rpm, rpm);
    fit.greatest_rpm = std::max(fit.greatest_rpm, rpm);
    fit.mean_rpm += rpm / static_cast<double>(readings.size());
    sum += late;
  }
  fit.readings = readings.size();
  const Range together = offsets_at(bands, 0);
  const double mean = sum / static_cast<double>(readings.size());
  fit.deviation_deg = together.empty() ? Estimate{mean, bound_deg} : together.estimate();
  fit.verdict = verdict_of(bands, speeds_known);
  const Feasible all = feasible(bands);
  if (speeds_known && all.offset.empty()) {
    fit.verdict = OffsetVerdict::no_line;
  }
  if (speeds_known && !all.offset.empty() && fit.greatest_rpm > fit.least_rpm) {
    fit.offset_deg = all.offset.estimate();
    fit.delay_us = all.delay.estimate();
  }
  return fit;
}

}  // namespace cw
