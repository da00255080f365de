#include "sync/strict_counter.hpp"

#include <cstdint>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::NamedWheel;
using test::Passage;

void feed(StrictCounter& counter, const std::vector<Passage>& teeth) {
  for (const Passage& tooth : teeth) {
    counter.edge(tooth.t_ns);
  }
}

class StrictCounterOnWheels : public testing::TestWithParam<std::size_t> {
 protected:
  StrictCounterOnWheels()
      : wheel_(test::gap_wheels().at(GetParam())),
        counter_(test::steps_of_turn(wheel_.cycle)),
        turn_(static_cast<std::size_t>(test::teeth_a_turn(wheel_.cycle))),
        clean_(passages(wheel_.cycle, 3, static_cast<int>(12 * turn_), test::steady(2000))) {}

  NamedWheel wheel_;
  StrictCounter counter_;
  std::size_t turn_;
  std::vector<Passage> clean_;
};
INSTANTIATE_TEST_SUITE_P(StrictCounter, StrictCounterOnWheels, testing::Range<std::size_t>(0, 5), [](const auto& info) {
  std::string name = test::gap_wheels().at(info.param).name;
  name.replace(name.find('-'), 1, "_");
  return "wheel_" + name;
});

TEST_P(StrictCounterOnWheels, comes_into_sync_on_a_clean_run_and_stays) {
  ASSERT_TRUE(counter_.available());
  const std::vector<Passage> begin(clean_.begin(), clean_.begin() + static_cast<std::ptrdiff_t>(turn_ / 2));
  feed(counter_, begin);
  EXPECT_FALSE(counter_.in_sync());
  feed(counter_, {clean_.begin() + static_cast<std::ptrdiff_t>(begin.size()), clean_.end()});
  EXPECT_TRUE(counter_.in_sync());
  EXPECT_EQ(counter_.losses(), 0U);
}

TEST_P(StrictCounterOnWheels, one_missed_edge_loses_sync_once_and_a_full_turn_brings_it_back) {
  // At any tooth, those beside the gap included.
  for (std::size_t at = 5 * turn_; at < 6 * turn_; ++at) {
    StrictCounter counter(test::steps_of_turn(wheel_.cycle));
    feed(counter, test::without({clean_.begin(), clean_.begin() + static_cast<std::ptrdiff_t>(at + turn_ + 1)}, at, 1));
    EXPECT_EQ(counter.losses(), 1U) << "tooth " << clean_[at].tooth;
    EXPECT_FALSE(counter.in_sync()) << "tooth " << clean_[at].tooth;
    feed(counter, {clean_.begin() + static_cast<std::ptrdiff_t>(at + turn_ + 1), clean_.end()});
    EXPECT_EQ(counter.losses(), 1U) << "tooth " << clean_[at].tooth;
    EXPECT_TRUE(counter.in_sync()) << "tooth " << clean_[at].tooth;
  }
}

TEST_P(StrictCounterOnWheels, one_extra_edge_loses_sync_once_and_full_turns_bring_it_back) {
  for (std::size_t at = 5 * turn_; at < 6 * turn_; ++at) {
    std::vector<Passage> teeth = clean_;
    const Passage odd{(clean_[at].t_ns + clean_[at + 1].t_ns) / 2, 0, 0};
    teeth.insert(teeth.begin() + static_cast<std::ptrdiff_t>(at + 1), odd);
    StrictCounter counter(test::steps_of_turn(wheel_.cycle));
    feed(counter, teeth);
    EXPECT_EQ(counter.losses(), 1U) << "after tooth " << clean_[at].tooth;
    EXPECT_TRUE(counter.in_sync()) << "after tooth " << clean_[at].tooth;
  }
}

TEST(StrictCounter, has_nothing_to_count_by_on_an_even_wheel) {
  EXPECT_FALSE(StrictCounter(std::vector<double>(60, 6.0)).available());
}

TEST(StrictCounter, has_nothing_to_count_by_with_several_equal_gaps) {
  const ToothCycle cycle = tooth_cycle(test::engine_with(pitched_teeth(36, {{12, 2}, {34, 2}}, 360), 36));
  EXPECT_FALSE(StrictCounter(test::steps_of_turn(cycle)).available());
}

TEST(StrictCounter, counts_by_the_widest_of_two_unequal_gaps) {
  const ToothCycle cycle = tooth_cycle(test::engine_with(pitched_teeth(36, {{12, 1}, {33, 3}}, 360), 36));
  StrictCounter counter(test::steps_of_turn(cycle));
  ASSERT_TRUE(counter.available());
  feed(counter, passages(cycle, 0, 10 * test::teeth_a_turn(cycle), test::steady(1500)));
  EXPECT_TRUE(counter.in_sync());
  EXPECT_EQ(counter.losses(), 0U);
}

TEST(StrictCounter, reset_puts_it_out_of_sync_without_counting_a_loss) {
  const NamedWheel wheel = test::wheel(36, 1);
  StrictCounter counter(test::steps_of_turn(wheel.cycle));
  feed(counter, passages(wheel.cycle, 0, 200, test::steady(1500)));
  ASSERT_TRUE(counter.in_sync());
  counter.reset();
  EXPECT_FALSE(counter.in_sync());
  EXPECT_EQ(counter.losses(), 0U);
}

}  // namespace
}  // namespace cw
