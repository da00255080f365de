#include "compare/steady_holds.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "compare/robust.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_s = 1'000'000'000;
constexpr std::int64_t stretch_ns_least = 2 * ns_per_s;
constexpr std::size_t readings_least = 12;
constexpr double change_a_cycle_max = 0.003;
constexpr double one_speed = 0.05;  // share of the speed by which a hold may wander
constexpr double cycles_apart_max = 4;
constexpr double spread_max_deg = 2;  // more: the mark is not at locked advance
constexpr std::int64_t hold_ns_max = 300 * ns_per_s;
constexpr double ns_a_cycle_at_1_rpm = 120e9;

bool alike(double rpm, double other_rpm) {
  return std::fabs(rpm - other_rpm) <= one_speed * other_rpm;
}

template <typename Range, typename Value>
double mean_of(const Range& range, std::size_t from, std::size_t to, Value value) {
  double sum = 0;
  for (std::size_t i = from; i < to; ++i) {
    sum += value(range[i]);
  }
  return sum / static_cast<double>(to - from);
}

}  // namespace

std::optional<SteadyStretch> StretchCollector::take(const SteadyReading& reading) {
  if (!(reading.rpm > 0)) {
    return std::nullopt;
  }
  if (!recent_.empty()) {
    const auto apart_ns = static_cast<double>(reading.t_ns - recent_.back().t_ns);
    if (apart_ns <= 0 || apart_ns > cycles_apart_max * ns_a_cycle_at_1_rpm / reading.rpm) {
      recent_.clear();
    }
  }
  while (!recent_.empty() && !alike(recent_.front().rpm, reading.rpm)) {
    recent_.pop_front();
  }
  recent_.push_back(reading);
  if (recent_.size() < readings_least || recent_.back().t_ns - recent_.front().t_ns < stretch_ns_least) {
    return std::nullopt;
  }
  return judge();
}

std::optional<SteadyStretch> StretchCollector::judge() {
  const std::size_t count = recent_.size();
  const auto rpm_of = [](const SteadyReading& reading) { return reading.rpm; };
  const double first = mean_of(recent_, 0, count / 2, rpm_of);
  const double second = mean_of(recent_, count / 2, count, rpm_of);
  const double change_a_cycle = std::fabs(second - first) / first / (static_cast<double>(count) / 2);
  std::vector<double> deviations;
  std::vector<double> uncertainties;
  for (const SteadyReading& reading : recent_) {
    deviations.push_back(reading.deviation_deg);
    uncertainties.push_back(reading.uncertainty_deg);
  }
  const RobustMean mean = robust_mean(deviations);
  if (change_a_cycle > change_a_cycle_max || mean.spread > spread_max_deg) {
    recent_.erase(recent_.begin(), recent_.begin() + static_cast<std::ptrdiff_t>(count / 2));
    return std::nullopt;
  }
  SteadyStretch stretch;
  stretch.start_ns = recent_.front().t_ns;
  stretch.end_ns = recent_.back().t_ns;
  stretch.readings = static_cast<std::uint32_t>(count);
  stretch.rpm = mean_of(recent_, 0, count, rpm_of);
  stretch.deviation_deg = mean.mean;
  stretch.spread_deg = mean.spread;
  stretch.uncertainty_deg = median(std::move(uncertainties));
  recent_.clear();
  return stretch;
}

double Hold::stretch_spread_deg() const {
  return stretches < 2 ? 0 : std::sqrt(squares / static_cast<double>(stretches - 1));
}

void Holds::take(const SteadyStretch& stretch) {
  constexpr std::int64_t break_ns_max = 3 * ns_per_s;
  Hold* last = holds_.empty() ? nullptr : &holds_.back();
  if (last == nullptr || stretch.start_ns - last->end_ns > break_ns_max || stretch.start_ns < last->end_ns ||
      !alike(stretch.rpm, last->first_rpm) || stretch.end_ns - last->start_ns > hold_ns_max) {
    make_room();
    Hold hold;
    hold.start_ns = stretch.start_ns;
    hold.first_rpm = stretch.rpm;
    last = &holds_.emplace_back(hold);
  }
  const auto before = static_cast<double>(last->readings);
  const auto added = static_cast<double>(stretch.readings);
  const double share = added / (before + added);
  const auto mix = [share](double& mean, double value) { mean += share * (value - mean); };
  // Stretches are about equally long: their own scatter is kept with equal weights (Welford 1962).
  const double from_mean = stretch.deviation_deg - last->deviation_deg;
  mix(last->rpm, stretch.rpm);
  mix(last->deviation_deg, stretch.deviation_deg);
  double variance = last->spread_deg * last->spread_deg;
  mix(variance, stretch.spread_deg * stretch.spread_deg);
  last->spread_deg = std::sqrt(variance);
  mix(last->uncertainty_deg, stretch.uncertainty_deg);
  last->squares += last->stretches == 0 ? 0 : from_mean * (stretch.deviation_deg - last->deviation_deg);
  last->readings += stretch.readings;
  last->stretches += 1;
  last->end_ns = stretch.end_ns;
}

void Holds::make_room() {
  if (holds_.size() < holds_max) {
    return;
  }
  const auto speed = [](const Hold& hold) { return std::lround(std::log(hold.first_rpm) / one_speed); };
  std::map<long, int> counts;
  for (const Hold& hold : holds_) {
    ++counts[speed(hold)];
  }
  const auto commonest =
      std::max_element(counts.begin(), counts.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  holds_.erase(
      std::find_if(holds_.begin(), holds_.end(), [&](const Hold& hold) { return speed(hold) == commonest->first; }));
}

void Holds::forget_before(std::int64_t t_ns) {
  std::erase_if(holds_, [t_ns](const Hold& hold) { return hold.start_ns < t_ns; });
}

}  // namespace cw
