// What steady running comes to, put beside a baseline: by bands of 500 rpm and by cam.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <optional>
#include <string>
#include <vector>

#include "compare/steady_holds.hpp"
#include "geometry/baseline.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

inline constexpr double band_rpm = 500;
inline constexpr std::size_t bands_max = 40;  // up to 20,000 rpm

// The means of some stretches, each a number.
class StretchMeans {
 public:
  void add(double mean);
  std::uint32_t count() const { return count_; }
  double mean() const { return mean_; }
  // 95 % half width of the mean from the stretches' own scatter; nothing for fewer than two.
  std::optional<double> half_width() const;

 private:
  std::uint32_t count_ = 0;
  double mean_ = 0;
  double squares_ = 0;
};

// One steady stretch of cycles, with or without a reference.
struct SteadySample {
  double rpm = 0;
  std::uint32_t cycles = 0;
  std::optional<double> deviation_deg;
  double spread_deg = 0;
  double uncertainty_deg = 0;  // of the deviation, does not average away
  std::optional<double> sync_margin;
  std::vector<std::optional<double>> cam_phase_deg;  // only of cams that stood at park
};

class SteadySamples {
 public:
  explicit SteadySamples(const Engine& engine) : engine_(engine) {}
  std::optional<SteadySample> take(const Cycle& cycle);
  void take(const StateChange& change);

 private:
  SteadySample sample_of(const SteadyStretch& stretch) const;

  const Engine& engine_;
  StretchCollector collector_;
  std::deque<Cycle> recent_;
};

// All of a session as a baseline.
class BaselineMaker {
 public:
  explicit BaselineMaker(const Engine& engine);
  void take(const SteadySample& sample);
  void take(const WheelShape& shape) { shape_ = shape; }
  // Bands and cams with at least three stretches. Program and time are the caller's.
  Baseline baseline() const;

 private:
  struct Band {
    StretchMeans deviation;
    StretchMeans margin;
    std::uint32_t cycles = 0;
    double spread_squares = 0;
    double uncertainty_deg = 0;  // greatest
  };
  BaselineBand band_of(std::size_t index) const;

  const Engine& engine_;
  std::array<Band, bands_max> bands_;
  std::vector<StretchMeans> cams_;
  std::optional<WheelShape> shape_;
};

enum class BaselineItem : std::uint8_t { tdc_deviation, offset, delay, sync_margin, cam_phase, tooth };
std::string_view to_string(BaselineItem item);

// Something that both know.
struct BaselinePair {
  BaselineItem item = BaselineItem::tdc_deviation;
  std::string channel;  // cam name, or tooth number
  double from_rpm = 0;  // of a band; 0 and 0 where there is none
  double to_rpm = 0;
  BaselineNumber before;
  BaselineNumber now;
  double unsure = 0;  // what both are unsure of, and what changes from day to day and means nothing
  double difference() const { return now.value - before.value; }
  bool differs() const;
};

// Differences below these are no news whatever the intervals say (warmth, battery, another day). Common practice, no source.
inline constexpr double tdc_floor_deg = 0.25;
inline constexpr double delay_floor_us = 5;
inline constexpr double margin_floor = 0.1;
inline constexpr double cam_floor_deg = 1.0;
inline constexpr double tooth_floor_deg = 0.1;
double floor_of(BaselineItem item);

// Everything that both know, in the order of a baseline. Where the engine files' trigger offsets differ, deviation and offset
// are left out: they would differ by that.
std::vector<BaselinePair> pairs_of(const Baseline& before, const Baseline& now);

}  // namespace cw
