#include "compare/baseline_compare.hpp"

#include <algorithm>
#include <cmath>

#include "compare/line_fit.hpp"
#include "compare/robust.hpp"

namespace cw {

namespace {

constexpr std::uint32_t stretches_least = 3;
constexpr double same_offset_deg = 1e-3;

std::optional<BaselineNumber> number_of(const StretchMeans& means, double common) {
  const auto half_width = means.half_width();
  return means.count() >= stretches_least && half_width
             ? std::optional(BaselineNumber{means.mean(), std::hypot(*half_width, common)})
             : std::nullopt;
}

bool at_park(const CamPattern& cam, double phase_deg) {
  return cam.fixed() || std::fabs(phase_deg) <= cam.tolerance_deg / 2;
}

std::optional<double> mean_of(const std::vector<double>& values) {
  return values.empty() ? std::nullopt : std::optional(robust_mean(values).mean);
}

}  // namespace

void StretchMeans::add(double mean) {
  ++count_;
  const double from_mean = mean - mean_;
  mean_ += from_mean / static_cast<double>(count_);
  squares_ += from_mean * (mean - mean_);
}

std::optional<double> StretchMeans::half_width() const {
  if (count_ < 2) {
    return std::nullopt;
  }
  const auto freedom = static_cast<double>(count_ - 1);
  return student_t_975(freedom) * std::sqrt(squares_ / freedom / static_cast<double>(count_));
}

std::optional<SteadySample> SteadySamples::take(const Cycle& cycle) {
  if (!is_lock(cycle.state)) {
    return std::nullopt;
  }
  constexpr std::size_t recent_max = 2000;  // 2 s at any speed
  recent_.push_back(cycle);
  if (recent_.size() > recent_max) {
    recent_.pop_front();
  }
  // Without a reference the stretch is judged by its speed alone.
  const auto stretch = collector_.take({cycle.tdc_ns, cycle.rpm, cycle.reference_deviation_deg.value_or(0),
                                        cycle.reference_uncertainty_deg.value_or(0)});
  if (!stretch) {
    return std::nullopt;
  }
  SteadySample sample = sample_of(*stretch);
  recent_.clear();
  return sample;
}

void SteadySamples::take(const StateChange& change) {
  if (!is_lock(change.to)) {
    collector_.break_off();
    recent_.clear();
  }
}

SteadySample SteadySamples::sample_of(const SteadyStretch& stretch) const {
  SteadySample sample;
  sample.rpm = stretch.rpm;
  sample.cycles = stretch.readings;
  std::vector<double> deviations;
  std::vector<double> margins;
  std::vector<std::vector<double>> phases(engine_.cams.size());
  for (const Cycle& cycle : recent_) {
    if (cycle.tdc_ns < stretch.start_ns) {
      continue;
    }
    if (cycle.reference_deviation_deg) {
      deviations.push_back(*cycle.reference_deviation_deg);
    }
    if (cycle.sync_margin) {
      margins.push_back(*cycle.sync_margin);
    }
    for (std::size_t i = 0; i < std::min(phases.size(), cycle.cam_phase_deg.size()); ++i) {
      if (cycle.cam_phase_deg[i] && at_park(engine_.cams[i], *cycle.cam_phase_deg[i])) {
        phases[i].push_back(*cycle.cam_phase_deg[i]);
      }
    }
  }
  if (deviations.size() * 2 >= sample.cycles) {
    const RobustMean mean = robust_mean(deviations);
    sample.deviation_deg = mean.mean;
    sample.spread_deg = mean.spread;
    sample.uncertainty_deg = stretch.uncertainty_deg;
  }
  sample.sync_margin = mean_of(margins);
  for (const std::vector<double>& phase : phases) {
    sample.cam_phase_deg.push_back(phase.size() * 2 >= sample.cycles ? mean_of(phase) : std::nullopt);
  }
  return sample;
}

BaselineMaker::BaselineMaker(const Engine& engine) : engine_(engine), cams_(engine.cams.size()) {}

void BaselineMaker::take(const SteadySample& sample) {
  Band& band = bands_.at(std::min(static_cast<std::size_t>(sample.rpm / band_rpm), bands_max - 1));
  band.cycles += sample.cycles;
  if (sample.deviation_deg) {
    band.deviation.add(*sample.deviation_deg);
    band.spread_squares += sample.spread_deg * sample.spread_deg;
    band.uncertainty_deg = std::max(band.uncertainty_deg, sample.uncertainty_deg);
  }
  if (sample.sync_margin) {
    band.margin.add(*sample.sync_margin);
  }
  for (std::size_t i = 0; i < std::min(cams_.size(), sample.cam_phase_deg.size()); ++i) {
    if (sample.cam_phase_deg[i]) {
      cams_[i].add(*sample.cam_phase_deg[i]);
    }
  }
}

BaselineBand BaselineMaker::band_of(std::size_t index) const {
  const Band& band = bands_.at(index);
  BaselineBand out;
  out.from_rpm = static_cast<double>(index) * band_rpm;
  out.to_rpm = out.from_rpm + band_rpm;
  out.cycles = band.cycles;
  out.tdc_deviation_deg = number_of(band.deviation, band.uncertainty_deg);
  out.sync_margin = number_of(band.margin, 0);
  if (out.tdc_deviation_deg) {
    out.spread_deg = std::sqrt(band.spread_squares / static_cast<double>(band.deviation.count()));
  }
  return out;
}

Baseline BaselineMaker::baseline() const {
  Baseline out;
  out.engine_name = engine_.name;
  out.trigger_offset_deg = engine_.crank.trigger_offset_deg;
  for (std::size_t i = 0; i < bands_max; ++i) {
    const BaselineBand band = band_of(i);
    if (band.tdc_deviation_deg || band.sync_margin) {
      out.bands.push_back(band);
    }
  }
  for (std::size_t i = 0; i < cams_.size(); ++i) {
    if (const auto phase = number_of(cams_[i], 0)) {
      out.cams.push_back({engine_.cams[i].name, *phase});
    }
  }
  if (shape_) {
    for (const ToothShape& tooth : shape_->teeth) {
      out.teeth.push_back({tooth.tooth, {tooth.error_deg, tooth.uncertainty_deg}});
    }
  }
  return out;
}

std::string_view to_string(BaselineItem item) {
  static constexpr std::array<std::string_view, 6> names = {"tdc-deviation", "offset",    "delay",
                                                            "sync-margin",   "cam-phase", "tooth"};
  return names.at(static_cast<std::size_t>(item));
}

double floor_of(BaselineItem item) {
  static constexpr std::array<double, 6> floors = {tdc_floor_deg, tdc_floor_deg, delay_floor_us,
                                                   margin_floor,  cam_floor_deg, tooth_floor_deg};
  return floors.at(static_cast<std::size_t>(item));
}

bool BaselinePair::differs() const {
  return std::fabs(difference()) > unsure;
}

std::vector<BaselinePair> pairs_of(const Baseline& before, const Baseline& now) {
  std::vector<BaselinePair> out;
  const auto add = [&](BaselineItem item, const std::string& channel, const BaselineBand* band,
                       const std::optional<BaselineNumber>& a, const std::optional<BaselineNumber>& b) {
    if (a && b) {
      out.push_back({item, channel, band != nullptr ? band->from_rpm : 0, band != nullptr ? band->to_rpm : 0, *a, *b,
                     std::hypot(a->uncertainty, b->uncertainty) + floor_of(item)});
    }
  };
  const bool same_offset = std::fabs(before.trigger_offset_deg - now.trigger_offset_deg) < same_offset_deg;
  if (same_offset) {
    add(BaselineItem::offset, "", nullptr, before.offset_deg, now.offset_deg);
  }
  add(BaselineItem::delay, "", nullptr, before.delay_us, now.delay_us);
  for (const BaselineBand& band : before.bands) {
    const auto other = std::find_if(now.bands.begin(), now.bands.end(), [&](const BaselineBand& candidate) {
      return std::fabs(candidate.from_rpm - band.from_rpm) < 1;
    });
    if (other != now.bands.end()) {
      add(BaselineItem::tdc_deviation, "", &band, same_offset ? band.tdc_deviation_deg : std::nullopt,
          other->tdc_deviation_deg);
      add(BaselineItem::sync_margin, "", &band, band.sync_margin, other->sync_margin);
    }
  }
  for (const BaselineCam& cam : before.cams) {
    for (const BaselineCam& other : now.cams) {
      add(BaselineItem::cam_phase, cam.name, nullptr,
          cam.name == other.name ? std::optional(cam.phase_deg) : std::nullopt, other.phase_deg);
    }
  }
  for (const BaselineTooth& tooth : before.teeth) {
    for (const BaselineTooth& other : now.teeth) {
      add(BaselineItem::tooth, std::to_string(tooth.number), nullptr,
          tooth.number == other.number ? std::optional(tooth.error_deg) : std::nullopt, other.error_deg);
    }
  }
  return out;
}

}  // namespace cw
