// Values over time in a bounded number of bins, however long the session: of each bin the least, the greatest and the
// mean stay, so that a spike of one cycle in a day is still seen.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <vector>

#include "items/observation.hpp"

namespace cw {

// A scale of bins from time 0 on. Its bins are doubled in width, and joined in pairs, when a time lies beyond the last:
// between bins_max / 2 and bins_max of them span what was seen, once that is longer than bins_max * first_bin_ns.
class TimeBins {
 public:
  static constexpr std::size_t bins_max = 600;
  static constexpr std::int64_t first_bin_ns = 10'000'000;

  std::int64_t bin_ns() const { return bin_ns_; }

  // Which bin `t_ns` (>= 0; less counts as 0) is in; calls `join`, which halves the bins, until there is one.
  template <typename Join>
  std::size_t bin_of(std::int64_t t_ns, Join join) {
    const std::int64_t at_ns = t_ns < 0 ? 0 : t_ns;
    while (static_cast<std::size_t>(at_ns / bin_ns_) >= bins_max) {
      join();
      bin_ns_ *= 2;
    }
    return static_cast<std::size_t>(at_ns / bin_ns_);
  }

 private:
  std::int64_t bin_ns_ = first_bin_ns;
};

struct ValueBin {
  std::uint64_t count = 0;  // 0: nothing known in this bin, and the rest means nothing
  double least = 0;
  double greatest = 0;
  double sum = 0;

  void add(double value);
  void join(const ValueBin& other);
  double mean() const { return sum / static_cast<double>(count); }
};

class BinnedSeries {
 public:
  static constexpr std::size_t bins_max = TimeBins::bins_max;
  void add(std::int64_t t_ns, double value);  // what is not finite is left out
  const std::vector<ValueBin>& bins() const { return bins_; }
  std::int64_t bin_ns() const { return scale_.bin_ns(); }
  const ValueBin& all() const { return all_; }

 private:
  TimeBins scale_;
  std::vector<ValueBin> bins_;
  ValueBin all_;
};

// How long each lock state lasted in each bin.
class BinnedStates {
 public:
  static constexpr std::size_t bins_max = TimeBins::bins_max;
  static constexpr std::size_t states = 5;
  using Bin = std::array<std::int64_t, states>;  // ns in each state, by its value

  // The state was `state` from `from_ns` to `to_ns`.
  void add(std::int64_t from_ns, std::int64_t to_ns, LockState state);
  const std::vector<Bin>& bins() const { return bins_; }
  std::int64_t bin_ns() const { return scale_.bin_ns(); }

 private:
  TimeBins scale_;
  std::vector<Bin> bins_;
};

// How many findings of each severity began in each bin, and the first of them.
class BinnedMarks {
 public:
  static constexpr std::size_t severities = 3;
  struct Mark {
    std::uint64_t count = 0;
    std::int64_t first_ns = 0;
    FindingKind first_kind = FindingKind::sync_lost;
  };
  using Bin = std::array<Mark, severities>;

  void add(std::int64_t t_ns, Severity severity, FindingKind kind, std::uint64_t count);
  const std::vector<Bin>& bins() const { return bins_; }
  std::int64_t bin_ns() const { return scale_.bin_ns(); }

 private:
  TimeBins scale_;
  std::vector<Bin> bins_;
};

}  // namespace cw
