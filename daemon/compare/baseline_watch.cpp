#include "compare/baseline_watch.hpp"

#include <cmath>

#include "compare/attribution.hpp"

namespace cw {

namespace {

constexpr std::size_t in_a_row = 3;

// One stretch as a baseline of its own. Its scatter is known as that of one cycle; cycles of a stretch go with one another, so it
// counts as if a tenth of them did.
Baseline of_stretch(const Engine& engine, const SteadySample& sample) {
  constexpr double like_minded = 10;
  constexpr double two_sigma = 2;
  Baseline out;
  out.trigger_offset_deg = engine.crank.trigger_offset_deg;
  BaselineBand band;
  band.from_rpm = std::floor(sample.rpm / band_rpm) * band_rpm;
  band.to_rpm = band.from_rpm + band_rpm;
  if (sample.deviation_deg) {
    const double scatter = two_sigma * sample.spread_deg * std::sqrt(like_minded / static_cast<double>(sample.cycles));
    band.tdc_deviation_deg = BaselineNumber{*sample.deviation_deg, std::hypot(scatter, sample.uncertainty_deg)};
  }
  if (sample.sync_margin) {
    band.sync_margin = BaselineNumber{*sample.sync_margin, 0};
  }
  out.bands.push_back(band);
  for (std::size_t i = 0; i < sample.cam_phase_deg.size(); ++i) {
    if (sample.cam_phase_deg[i]) {
      out.cams.push_back({engine.cams[i].name, {*sample.cam_phase_deg[i], 0}});
    }
  }
  return out;
}

// Names of values end in their units.
std::string value_name(BaselineItem item, const std::string& what) {
  return what + (item == BaselineItem::sync_margin ? "_margin" : "_deg");
}

}  // namespace

void BaselineWatch::take(const Cycle& cycle, std::vector<Finding>& out) {
  if (!engine_.baseline) {
    return;
  }
  if (const auto sample = samples_.take(cycle)) {
    for (const BaselinePair& pair : pairs_of(*engine_.baseline, of_stretch(engine_, *sample))) {
      judge(pair, cycle, out);
    }
  }
}

void BaselineWatch::judge(const BaselinePair& pair, const Cycle& cycle, std::vector<Finding>& out) {
  Quantity& quantity = quantities_[{pair.item, pair.channel}];
  if (!pair.differs()) {
    quantity.beyond.clear();
    ++quantity.within;
    if (quantity.open && quantity.within >= static_cast<int>(in_a_row)) {
      out.push_back(closed(*quantity.open, cycle.tdc_ns));
      quantity.open.reset();
    }
    return;
  }
  quantity.within = 0;
  if (quantity.beyond.empty()) {
    quantity.since_ns = cycle.tdc_ns;
  }
  quantity.beyond.push_back(pair);
  if (quantity.beyond.size() > in_a_row) {
    quantity.beyond.pop_front();
  }
  if (quantity.open || quantity.beyond.size() < in_a_row) {
    return;
  }
  Finding finding = finding_of(pair, quantity, cycle);
  finding.id = next_id_++;
  quantity.open = finding;
  out.push_back(std::move(finding));
}

Finding BaselineWatch::finding_of(const BaselinePair& pair, const Quantity& quantity, const Cycle& cycle) const {
  Finding finding;
  apply(attribute(FindingKind::differs_from_baseline, Circumstance::any), FindingKind::differs_from_baseline, finding);
  finding.phase = FindingPhase::open;
  finding.start_ns = quantity.since_ns;
  finding.end_ns = cycle.tdc_ns;
  finding.cycle = cycle.number;
  finding.rpm = cycle.rpm;
  finding.channel = pair.item == BaselineItem::cam_phase       ? pair.channel
                    : pair.item == BaselineItem::tdc_deviation ? engine_.reference->channel
                                                               : "crank";
  finding.values = {{value_name(pair.item, "baseline"), pair.before.value},
                    {value_name(pair.item, "now"), pair.now.value},
                    {value_name(pair.item, "difference"), pair.difference()},
                    {value_name(pair.item, "unsure"), pair.unsure}};
  if (pair.to_rpm > 0) {
    finding.values.emplace_back("from_rpm", pair.from_rpm);
    finding.values.emplace_back("to_rpm", pair.to_rpm);
  }
  static constexpr std::string_view what[] = {"TDC deviation", "offset", "delay", "sync margin", "cam phase", "tooth"};
  finding.reason = std::string(what[static_cast<std::size_t>(pair.item)]) + ": " + finding.reason;
  return finding;
}

}  // namespace cw
