#include "report/binned_series.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

namespace {

// Bins 2i and 2i + 1 become bin i.
template <typename Bin, typename Join>
void join_pairs(std::vector<Bin>& bins, Join join) {
  const std::size_t half = (bins.size() + 1) / 2;
  for (std::size_t i = 0; i < half; ++i) {
    Bin bin = bins[2 * i];
    if (2 * i + 1 < bins.size()) {
      join(bin, bins[2 * i + 1]);
    }
    bins[i] = bin;
  }
  bins.resize(half);
}

template <typename Bin>
Bin& bin_at(std::vector<Bin>& bins, std::size_t index) {
  if (index >= bins.size()) {
    bins.resize(index + 1);
  }
  return bins[index];
}

void join_states(BinnedStates::Bin& bin, const BinnedStates::Bin& other) {
  for (std::size_t i = 0; i < bin.size(); ++i) {
    bin.at(i) += other.at(i);
  }
}

void join_marks(BinnedMarks::Bin& bin, const BinnedMarks::Bin& other) {
  for (std::size_t i = 0; i < bin.size(); ++i) {
    BinnedMarks::Mark& mark = bin.at(i);
    const BinnedMarks::Mark& more = other.at(i);
    if (more.count > 0 && (mark.count == 0 || more.first_ns < mark.first_ns)) {
      mark.first_ns = more.first_ns;
      mark.first_kind = more.first_kind;
    }
    mark.count += more.count;
  }
}

}  // namespace

void ValueBin::add(double value) {
  least = count == 0 ? value : std::min(least, value);
  greatest = count == 0 ? value : std::max(greatest, value);
  sum += value;
  ++count;
}

void ValueBin::join(const ValueBin& other) {
  if (other.count == 0) {
    return;
  }
  least = count == 0 ? other.least : std::min(least, other.least);
  greatest = count == 0 ? other.greatest : std::max(greatest, other.greatest);
  sum += other.sum;
  count += other.count;
}

void BinnedSeries::add(std::int64_t t_ns, double value) {
  if (!std::isfinite(value)) {
    return;
  }
  const std::size_t index =
      scale_.bin_of(t_ns, [this] { join_pairs(bins_, [](ValueBin& bin, const ValueBin& other) { bin.join(other); }); });
  bin_at(bins_, index).add(value);
  all_.add(value);
}

void BinnedStates::add(std::int64_t from_ns, std::int64_t to_ns, LockState state) {
  if (to_ns <= from_ns) {
    return;
  }
  const std::size_t last = scale_.bin_of(to_ns - 1, [this] { join_pairs(bins_, join_states); });
  for (std::size_t index = scale_.bin_of(from_ns, [] {}); index <= last; ++index) {
    const std::int64_t begin_ns = std::max(from_ns, static_cast<std::int64_t>(index) * bin_ns());
    const std::int64_t end_ns = std::min(to_ns, static_cast<std::int64_t>(index + 1) * bin_ns());
    bin_at(bins_, index).at(static_cast<std::size_t>(state)) += end_ns - begin_ns;
  }
}

void BinnedMarks::add(std::int64_t t_ns, Severity severity, FindingKind kind, std::uint64_t count) {
  const std::size_t index = scale_.bin_of(t_ns, [this] { join_pairs(bins_, join_marks); });
  Bin bin{};
  bin.at(static_cast<std::size_t>(severity)) = {count, t_ns, kind};
  join_marks(bin_at(bins_, index), bin);
}

}  // namespace cw
