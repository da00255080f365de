#include "learn/fold.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "geometry/angle.hpp"

namespace cw::learn {

namespace {

constexpr double same_ratio = 0.33;  // in ln: as in sync/wheel_look
constexpr std::size_t repeats_min = 3;
constexpr double sd_of_mad = 1.4826;  // of a normal distribution

double median_of(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

struct Centre {
  double mean = 0;
  double scatter = 0;
};

// The mean of those that lie within five spreads of the median, so that two turns that differ count alike.
Centre centre_of(const std::vector<double>& values) {
  constexpr double spreads = 5;
  const double middle = median_of(values);
  std::vector<double> off;
  off.reserve(values.size());
  for (const double value : values) {
    off.push_back(std::fabs(value - middle));
  }
  const double spread = sd_of_mad * median_of(off);
  double sum = 0;
  double count = 0;
  for (const double value : values) {
    if (std::fabs(value - middle) <= spreads * spread + 1e-9) {
      sum += value;
      count += 1;
    }
  }
  return {sum / count, spread};
}

struct Stretch {
  std::size_t first = 0;  // edge
  std::size_t edges = 0;
  double worth = 0;
};

// ln of the ratio of the interval after edge i to the one before it; for the first and last 0.
std::vector<double> log_ratios(std::span<const std::int64_t> t_ns) {
  std::vector<double> ratios(t_ns.size(), 0.0);
  for (std::size_t i = 1; i + 1 < t_ns.size(); ++i) {
    const auto before = static_cast<double>(std::max<std::int64_t>(1, t_ns[i] - t_ns[i - 1]));
    const auto after = static_cast<double>(std::max<std::int64_t>(1, t_ns[i + 1] - t_ns[i]));
    ratios[i] = std::log(after / before);
  }
  return ratios;
}

// Long ones are worth more, and fast ones, up to the speed of an idling engine's ripple.
double worth_of(std::span<const std::int64_t> t_ns, std::size_t first, std::size_t last, std::size_t edges) {
  const double repeats = static_cast<double>(last - first) / static_cast<double>(edges);
  const auto ns = static_cast<double>(t_ns[last] - t_ns[first]);
  return std::min(repeats, 20.0) * std::min(10.0, repeats * 1e9 / ns);
}

std::optional<Stretch> best_stretch(std::span<const std::int64_t> t_ns, std::size_t edges) {
  const std::vector<double> ratios = log_ratios(t_ns);
  std::optional<Stretch> best;
  std::size_t first = 0;
  for (std::size_t i = edges + 1; i <= ratios.size(); ++i) {
    const bool goes_on =
        i + 1 < ratios.size() && (i - edges <= first || std::fabs(ratios[i] - ratios[i - edges]) <= same_ratio);
    if (goes_on) {
      continue;
    }
    const std::size_t last = std::min(i, ratios.size() - 1);
    if (last >= first + repeats_min * edges) {
      const double worth = worth_of(t_ns, first, last, edges);
      if (!best || worth > best->worth) {
        best = {first, last - first + 1, worth};
      }
    }
    first = i;
  }
  return best;
}

// The first edges of the repeats of a stretch that are used.
std::vector<std::size_t> used_starts(std::span<const std::int64_t> t_ns, const Stretch& stretch, std::size_t edges) {
  constexpr double steady = 0.1;
  constexpr std::size_t enough = 6;
  std::vector<std::size_t> starts;
  std::vector<double> lengths;
  for (std::size_t at = stretch.first; at + edges < stretch.first + stretch.edges; at += edges) {
    starts.push_back(at);
    lengths.push_back(static_cast<double>(t_ns[at + edges] - t_ns[at]));
  }
  std::vector<std::size_t> order;
  for (std::size_t i = 0; i < starts.size(); ++i) {
    const bool as_before = i == 0 || std::fabs(std::log(lengths[i] / lengths[i - 1])) < steady;
    const bool as_after = i + 1 == starts.size() || std::fabs(std::log(lengths[i + 1] / lengths[i])) < steady;
    if (as_before && as_after) {
      order.push_back(i);
    }
  }
  if (order.size() < repeats_min) {
    order.resize(starts.size());
    std::iota(order.begin(), order.end(), std::size_t{0});
  }
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) { return lengths[a] < lengths[b]; });
  order.resize(std::min(order.size(), std::max(enough, order.size() / 2)));
  std::vector<std::size_t> used;
  used.reserve(order.size());
  for (const std::size_t i : order) {
    used.push_back(starts[i]);
  }
  std::sort(used.begin(), used.end());
  return used;
}

}  // namespace

std::optional<Fold> fold_edges(std::span<const std::int64_t> t_ns, std::size_t edges) {
  if (edges == 0 || t_ns.size() < repeats_min * edges + 2) {
    return std::nullopt;
  }
  const std::optional<Stretch> stretch = best_stretch(t_ns, edges);
  if (!stretch) {
    return std::nullopt;
  }
  Fold fold;
  fold.starts = used_starts(t_ns, *stretch, edges);
  if (fold.starts.size() < repeats_min) {
    return std::nullopt;
  }
  for (const std::size_t start : fold.starts) {
    fold.repeat_ns += static_cast<double>(t_ns[start + edges] - t_ns[start]) / static_cast<double>(fold.starts.size());
  }
  std::vector<double> shares(fold.starts.size());
  for (std::size_t i = 0; i < edges; ++i) {
    for (std::size_t k = 0; k < fold.starts.size(); ++k) {
      const std::size_t start = fold.starts[k];
      const auto whole = static_cast<double>(std::max<std::int64_t>(1, t_ns[start + edges] - t_ns[start]));
      shares[k] = deg_per_rev * static_cast<double>(t_ns[start + i] - t_ns[start]) / whole;
    }
    const Centre centre = centre_of(shares);
    fold.at_deg.push_back(centre.mean);
    fold.scatter_deg.push_back(centre.scatter);
  }
  return fold;
}

Fold halved(const Fold& fold) {
  Fold half;
  const std::size_t count = fold.at_deg.size() / 2;
  half.repeat_ns = fold.repeat_ns / 2;
  const double begin_deg = fold.at_deg[count] - deg_per_rev / 2;
  for (std::size_t i = 0; i < count; ++i) {
    half.at_deg.push_back(fold.at_deg[i] + fold.at_deg[i + count] - deg_per_rev / 2 - begin_deg);
    half.scatter_deg.push_back(fold.scatter_deg[i] + fold.scatter_deg[i + count]);
  }
  half.starts = fold.starts;
  return half;
}

namespace {

// Edges of all repeats by place, a place that wraps around put together.
struct Sighting {
  double at_deg = 0;
  std::size_t repeat = 0;
};

std::vector<Sighting> sightings(std::span<const std::int64_t> t_ns, std::span<const std::int64_t> base_ns,
                                const Fold& base) {
  std::vector<Sighting> seen;
  for (std::size_t k = 0; k < base.starts.size(); ++k) {
    const std::int64_t from = base_ns[base.starts[k]];
    const std::int64_t to = base_ns[base.starts[k] + base.at_deg.size()];
    for (auto at = std::lower_bound(t_ns.begin(), t_ns.end(), from); at != t_ns.end() && *at < to; ++at) {
      seen.push_back({deg_per_rev * static_cast<double>(*at - from) / static_cast<double>(to - from), k});
    }
  }
  std::sort(seen.begin(), seen.end(), [](const Sighting& a, const Sighting& b) { return a.at_deg < b.at_deg; });
  return seen;
}

// Turns the circle so that it begins in its widest empty space; the angle taken off.
double begin_in_widest_space(std::vector<Sighting>& seen) {
  double widest = seen.front().at_deg + deg_per_rev - seen.back().at_deg;
  std::size_t first = 0;
  for (std::size_t i = 1; i < seen.size(); ++i) {
    if (seen[i].at_deg - seen[i - 1].at_deg > widest) {
      widest = seen[i].at_deg - seen[i - 1].at_deg;
      first = i;
    }
  }
  const double off_deg = seen[first].at_deg;
  std::rotate(seen.begin(), seen.begin() + static_cast<std::ptrdiff_t>(first), seen.end());
  for (Sighting& one : seen) {
    one.at_deg = wrap_deg(one.at_deg - off_deg, deg_per_rev);
  }
  return off_deg;
}

}  // namespace

std::optional<std::vector<PlacedEdge>> place_edges(std::span<const std::int64_t> t_ns,
                                                   std::span<const std::int64_t> base_ns, const Fold& base,
                                                   std::size_t edges_max) {
  if (t_ns.empty()) {
    return std::nullopt;
  }
  std::vector<Sighting> seen = sightings(t_ns, base_ns, base);
  // An ECU's output begins late.
  const auto repeats =
      static_cast<std::size_t>(std::count_if(base.starts.begin(), base.starts.end(), [&](std::size_t start) {
        return base_ns[start + base.at_deg.size()] > t_ns.front() && base_ns[start] < t_ns.back();
      }));
  if (repeats < repeats_min || seen.empty()) {
    return std::nullopt;
  }
  const std::size_t count = (seen.size() + repeats / 2) / repeats;
  if (count == 0 || count > edges_max) {
    return std::nullopt;
  }
  // Groups of about one sighting a repeat, cut at the widest spaces.
  const double off_deg = begin_in_widest_space(seen);
  std::vector<std::size_t> cuts(seen.size() - 1);
  std::iota(cuts.begin(), cuts.end(), std::size_t{1});
  const auto space = [&](std::size_t i) { return seen[i].at_deg - seen[i - 1].at_deg; };
  std::stable_sort(cuts.begin(), cuts.end(), [&](std::size_t a, std::size_t b) { return space(a) > space(b); });
  cuts.resize(std::min(cuts.size(), count - 1));
  cuts.push_back(0);
  cuts.push_back(seen.size());
  std::sort(cuts.begin(), cuts.end());
  std::vector<PlacedEdge> placed;
  for (std::size_t c = 0; c + 1 < cuts.size(); ++c) {
    std::vector<double> places;
    for (std::size_t i = cuts[c]; i < cuts[c + 1]; ++i) {
      places.push_back(seen[i].at_deg);
    }
    // One at the border of the repeats may fall out of some that stand alone.
    constexpr double most = 0.4;
    const double share = static_cast<double>(places.size()) / static_cast<double>(repeats);
    const bool often = share >= 1 - most;
    const bool once = share <= 1 + most;
    if (!often || !once) {
      return std::nullopt;
    }
    const Centre centre = centre_of(places);
    placed.push_back({wrap_deg(centre.mean + off_deg, deg_per_rev), centre.scatter});
  }
  std::sort(placed.begin(), placed.end(), [](const PlacedEdge& a, const PlacedEdge& b) { return a.at_deg < b.at_deg; });
  return placed;
}

}  // namespace cw::learn
