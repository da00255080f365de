#include "sync/trellis.hpp"

#include <cstdint>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::NamedWheel;
using test::Passage;

// Started on tooth 10 of a 60-2 wheel at 3,000 rpm, and fed with `t_ns`.
class TrellisAt3000 : public testing::Test {
 protected:
  TrellisAt3000() : wheel_(test::wheel(60, 2)), steps_(test::steps_of_turn(wheel_.cycle)), trellis_(steps_) {
    teeth_ = passages(wheel_.cycle, 10, 120, test::steady(3000));
    Survivor start;
    start.tooth = 10;
    start.t_ns = teeth_[0].t_ns;
    start.speed = {1e9 / 18000, 6, 0};
    trellis_.begin(start);
  }
  void feed(const std::vector<Passage>& teeth, std::size_t from, std::size_t to) {
    for (std::size_t i = from; i < to; ++i) {
      trellis_.advance(teeth[i].t_ns, {});
    }
  }

  NamedWheel wheel_;
  std::vector<double> steps_;
  Trellis trellis_;
  std::vector<Passage> teeth_;
};

TEST_F(TrellisAt3000, clean_teeth_lead_through_the_gap_without_cost) {
  feed(teeth_, 1, 100);
  EXPECT_EQ(trellis_.best().tooth, teeth_[99].tooth % 58);
  EXPECT_NEAR(trellis_.best().cost, 0, 0.1);
  EXPECT_FALSE(trellis_.best().had_extra);
  EXPECT_FALSE(trellis_.best().had_missed);
  EXPECT_EQ(trellis_.best().clean_steps, 99);
  EXPECT_EQ(trellis_.edges(), 99U);
}

TEST_F(TrellisAt3000, a_missed_tooth_costs_once_and_stands_in_the_path) {
  const std::vector<Passage> teeth = without(teeth_, 5, 1);
  feed(teeth, 1, 12);
  EXPECT_EQ(trellis_.best().tooth, teeth[11].tooth % 58);
  EXPECT_TRUE(trellis_.best().had_missed);
  EXPECT_FALSE(trellis_.best().had_extra);
  EXPECT_NEAR(trellis_.best().cost, missed_cost, 0.5);
  const std::vector<PathNode> path = trellis_.best_path();
  ASSERT_EQ(path.size(), 11U);
  EXPECT_EQ(path[3].missed, 0);
  EXPECT_EQ(path[4].missed, 1);
  EXPECT_EQ(path[4].t_ns, teeth_[6].t_ns);
}

TEST_F(TrellisAt3000, an_extra_edge_costs_once_and_stands_in_the_path) {
  feed(teeth_, 1, 5);
  trellis_.advance(teeth_[4].t_ns + 100'000, {});
  feed(teeth_, 5, 12);
  EXPECT_EQ(trellis_.best().tooth, teeth_[11].tooth % 58);
  EXPECT_TRUE(trellis_.best().had_extra);
  EXPECT_FALSE(trellis_.best().had_missed);
  EXPECT_NEAR(trellis_.best().cost, extra_cost, 0.5);
  const std::vector<PathNode> path = trellis_.best_path();
  ASSERT_EQ(path.size(), 12U);
  EXPECT_EQ(path[4].fault, ToothFault::extra);
  EXPECT_EQ(path[4].t_ns, teeth_[4].t_ns + 100'000);
}

TEST_F(TrellisAt3000, one_known_place_has_no_rival_and_a_doubtful_edge_brings_one) {
  EXPECT_EQ(trellis_.rival_margin(teeth_[0].t_ns), Trellis::no_rival);
  feed(teeth_, 1, 5);
  const std::int64_t half = (teeth_[5].t_ns - teeth_[4].t_ns) / 2;
  trellis_.advance(teeth_[4].t_ns + half, {});
  EXPECT_LT(trellis_.rival_margin(teeth_[4].t_ns + half), 100);
  EXPECT_GE(trellis_.rival_margin(teeth_[4].t_ns + half), 0);
}

TEST_F(TrellisAt3000, begin_forgets_what_was) {
  const std::vector<Passage> teeth = without(teeth_, 5, 1);
  feed(teeth, 1, 12);
  Survivor start;
  start.tooth = 10;
  start.t_ns = teeth_[0].t_ns;
  start.speed = {1e9 / 18000, 6, 0};
  trellis_.begin(start);
  EXPECT_EQ(trellis_.edges(), 0U);
  EXPECT_TRUE(trellis_.best_path().empty());
  feed(teeth_, 1, 12);
  EXPECT_NEAR(trellis_.best().cost, 0, 0.1);
}

}  // namespace
}  // namespace cw
