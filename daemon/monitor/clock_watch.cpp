#include "monitor/clock_watch.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

namespace {

constexpr double ns_per_ms = 1e6;
constexpr double ms_per_ns = 1e-6;

ClockSettings settings_of(const LeastDelay& delay) {
  return {std::llround(delay.ms * ns_per_ms), std::llround(delay.uncertainty_ms * ns_per_ms)};
}

struct InMs {
  double offset_ms = 0;
  double uncertainty_ms = 0;
};

InMs in_ms(const ClockReading& reading, std::int64_t source_ns) {
  return {(static_cast<double>(reading.host_ns) - static_cast<double>(source_ns)) * ms_per_ns,
          static_cast<double>(reading.uncertainty_ns) * ms_per_ns};
}

}  // namespace

ClockWatch::ClockWatch(const std::vector<SourceSpec>& sources) {
  for (std::size_t i = 0; i < clocks_.size(); ++i) {
    clocks_[i] = SourceClock(settings_of(i < sources.size() ? sources[i].least_delay : usual_least_delay("")));
  }
}

void ClockWatch::take(const Item& item) {
  sources_ = std::max(sources_, std::size_t{item.source} + 1);  // channels are named before their edges come
  SourceClock& clock = clocks_[item.source];
  if (item.kind == ItemKind::can_frame) {
    clock.arrival(item.source_ns, item.host_ns);
  } else if (item.kind == ItemKind::tick && item.source_ns != 0 && !exact_) {
    exact_ = true;
    for (SourceClock& each : clocks_) {
      each.host_is_made_from_source();
    }
  } else if (item.kind == ItemKind::link_note) {
    const auto note = static_cast<LinkNote>(item.code);
    if (note == LinkNote::heartbeat) {
      clock.arrival(item.source_ns, item.host_ns);
    } else if (note == LinkNote::new_epoch || note == LinkNote::connected || note == LinkNote::disconnected) {
      clock.restart();
    }
  }
}

std::vector<ClockWatch::Step> ClockWatch::take_steps() {
  std::vector<Step> found;
  for (std::size_t i = 0; i < sources_ && !exact_; ++i) {
    if (const auto step = clocks_[i].take_step()) {
      ++steps_[i];
      found.push_back({static_cast<std::uint8_t>(i), *step});
    }
  }
  return found;
}

void ClockWatch::fill(int source, std::int64_t source_ns, Second& row) const {
  if (source < 0 || exact_) {
    return;
  }
  if (const auto reading = at(static_cast<std::uint8_t>(source), source_ns)) {
    const InMs fit = in_ms(*reading, source_ns);
    row.clock_offset_ms = fit.offset_ms;
    row.clock_skew_ppm = reading->skew_ppm;
    row.clock_uncertainty_ms = fit.uncertainty_ms;
  }
}

std::vector<ClockFit> ClockWatch::fits() const {
  std::vector<ClockFit> found;
  for (std::size_t i = 0; i < sources_ && !exact_; ++i) {
    const std::int64_t newest_ns = clocks_[i].newest_source_ns();
    if (const auto reading = clocks_[i].at(newest_ns)) {
      const InMs fit = in_ms(*reading, newest_ns);
      found.push_back({static_cast<int>(i), fit.offset_ms, reading->skew_ppm, fit.uncertainty_ms, steps_[i]});
    }
  }
  return found;
}

}  // namespace cw
