#include "learn/common_repeat.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

namespace cw::learn {

namespace {

// Edge number in the base, with the share of the interval.
std::vector<double> counted_on(std::span<const std::int64_t> base_ns, std::span<const std::int64_t> other_ns) {
  std::vector<double> places;
  for (const std::int64_t t_ns : other_ns) {
    const auto after = std::upper_bound(base_ns.begin(), base_ns.end(), t_ns);
    if (after == base_ns.begin() || after == base_ns.end()) {
      continue;
    }
    const auto before = after - 1;
    const auto index = static_cast<double>(before - base_ns.begin());
    places.push_back(index + static_cast<double>(t_ns - *before) / static_cast<double>(*after - *before));
  }
  return places;
}

}  // namespace

std::optional<CommonRepeat> common_repeat(std::span<const std::int64_t> base_ns, std::span<const std::int64_t> other_ns,
                                          std::size_t other_edges_max) {
  constexpr double least_edges = 1.0 / 12;
  constexpr double most_edges = 0.45;
  constexpr double share_of_repeat = 0.002;
  constexpr std::size_t seen_min = 4;
  constexpr double agree = 0.8;
  const std::vector<double> places = counted_on(base_ns, other_ns);
  for (std::size_t step = 1; step <= other_edges_max && places.size() >= step + seen_min; ++step) {
    std::vector<double> sums;
    for (std::size_t i = 0; i + step < places.size(); ++i) {
      sums.push_back(places[i + step] - places[i]);
    }
    std::vector<double> sorted = sums;
    std::nth_element(sorted.begin(), sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2), sorted.end());
    const double whole = std::round(sorted[sorted.size() / 2]);
    const double within = std::clamp(whole * share_of_repeat, least_edges, most_edges);
    const auto close =
        std::count_if(sums.begin(), sums.end(), [&](double sum) { return std::fabs(sum - whole) <= within; });
    if (whole >= 1 && static_cast<double>(close) >= agree * static_cast<double>(sums.size())) {
      return CommonRepeat{static_cast<std::size_t>(whole), step};
    }
  }
  return std::nullopt;
}

}  // namespace cw::learn
