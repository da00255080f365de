#include "report/binned_series.hpp"

#include <gtest/gtest.h>

#include <numeric>

namespace cw {
namespace {

constexpr std::int64_t s = 1'000'000'000;

TEST(BinnedSeries, keeps_a_spike_of_one_reading_in_a_day) {
  BinnedSeries series;
  const std::int64_t day_ns = 86'400 * s;
  const std::int64_t every_ns = s / 10;
  for (std::int64_t t = 0; t < day_ns; t += every_ns) {
    series.add(t, t == 40'000 * s ? 17.0 : 1.0);
  }
  EXPECT_LE(series.bins().size(), BinnedSeries::bins_max);
  EXPECT_GE(series.bins().size(), BinnedSeries::bins_max / 2);
  const auto index = static_cast<std::size_t>(40'000 * s / series.bin_ns());
  EXPECT_EQ(series.bins()[index].greatest, 17.0);
  EXPECT_EQ(series.bins()[index].least, 1.0);
  std::uint64_t count = 0;
  for (const ValueBin& bin : series.bins()) {
    count += bin.count;
  }
  EXPECT_EQ(count, static_cast<std::uint64_t>(day_ns / every_ns));  // none lost by joining bins
  EXPECT_EQ(series.all().count, count);
}

TEST(BinnedSeries, leaves_out_what_is_no_number_and_takes_times_before_the_start_as_the_start) {
  BinnedSeries series;
  series.add(s, 0.0 / 0.0);
  series.add(-5, 2.0);
  ASSERT_EQ(series.bins().size(), 1U);
  EXPECT_EQ(series.bins()[0].count, 1U);
}

TEST(BinnedStates, add_up_to_the_time_that_passed_in_each_state) {
  BinnedStates states;
  std::int64_t t = 0;
  for (int i = 0; i < 20'000; ++i) {  // a state that changes every 0.7 s for some hours
    states.add(t, t + 7 * s / 10, i % 2 == 0 ? LockState::cycle_locked : LockState::lost);
    t += 7 * s / 10;
  }
  EXPECT_LE(states.bins().size(), BinnedStates::bins_max);
  std::int64_t locked = 0;
  std::int64_t lost = 0;
  for (const BinnedStates::Bin& bin : states.bins()) {
    locked += bin.at(static_cast<std::size_t>(LockState::cycle_locked));
    lost += bin.at(static_cast<std::size_t>(LockState::lost));
    EXPECT_LE(std::accumulate(bin.begin(), bin.end(), std::int64_t{0}), states.bin_ns());
  }
  EXPECT_EQ(locked, t / 2);
  EXPECT_EQ(lost, t / 2);
}

TEST(BinnedMarks, know_how_many_and_which_came_first) {
  BinnedMarks marks;
  marks.add(7'200 * s, Severity::fault, FindingKind::cam_step, 1);  // an hour's bins are wide
  marks.add(100 * s, Severity::fault, FindingKind::sync_lost, 2);
  marks.add(100 * s + 5, Severity::warning, FindingKind::missed_edge, 1);
  std::uint64_t faults = 0;
  for (const BinnedMarks::Bin& bin : marks.bins()) {
    faults += bin.at(2).count;
  }
  EXPECT_EQ(faults, 3U);
  const auto index = static_cast<std::size_t>(100 * s / marks.bin_ns());
  EXPECT_EQ(marks.bins()[index].at(2).first_kind, FindingKind::sync_lost);
  EXPECT_EQ(marks.bins()[index].at(1).count, 1U);
}

}  // namespace
}  // namespace cw
