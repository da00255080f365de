#include <cmath>
#include <vector>

#include <gtest/gtest.h>

#include "simulate/motion.hpp"
#include "simulate/random.hpp"

namespace cw::sim {
namespace {

// ISO C++ [rand.predef]: the 10,000th value of a default std::mt19937_64 is 9981545732273789042.
TEST(Random, stands_on_the_standard_generator) {
  std::mt19937_64 bits;
  bits.discard(9999);
  EXPECT_EQ(bits(), 9981545732273789042ULL);
}

TEST(Random, normal_has_mean_0_and_deviation_1) {
  Random random(7, 1);
  const int count = 200000;
  double sum = 0;
  double squares = 0;
  int beyond = 0;
  for (int i = 0; i < count; ++i) {
    const double value = random.normal();
    sum += value;
    squares += value * value;
    beyond += std::fabs(value) > 1.959964 ? 1 : 0;
  }
  EXPECT_NEAR(sum / count, 0, 0.01);
  EXPECT_NEAR(squares / count, 1, 0.01);
  EXPECT_NEAR(static_cast<double>(beyond) / count, 0.05, 0.002);  // tables of the normal distribution: 1.96 is 95 %
}

TEST(Random, seeds_and_streams_differ) {
  EXPECT_NE(Random(1, 1).uniform(), Random(1, 2).uniform());
  EXPECT_NE(Random(1, 1).uniform(), Random(2, 1).uniform());
  EXPECT_EQ(Random(1, 1).uniform(), Random(1, 1).uniform());
}

// A crank that goes 30 degrees forward and 30 back, stopping in the middle: 0 -> 30 -> 0 over two seconds.
Motion there_and_back() {
  return {{0, 0, 60}, {1, 30, 0}, {2, 0, -60}};
}

TEST(Motion, passages_come_forwards_and_then_backwards) {
  const std::vector<double> marks = {10, 20, 40};
  std::vector<std::pair<std::size_t, bool>> seen;
  for_each_passage(there_and_back(), PhaseTrack{}, marks, 360,
                   [&](const Passage& passage) { seen.emplace_back(passage.slot, passage.forward); });
  const std::vector<std::pair<std::size_t, bool>> expected = {{0, true}, {1, true}, {1, false}, {0, false}};
  EXPECT_EQ(seen, expected);
}

TEST(Motion, a_passage_lies_on_the_curve) {
  // Speed falls linearly from 60: angle = 60 t - 30 t^2, so 10 degrees at t = 1 - sqrt(2 / 3), and mirrored later.
  const std::vector<double> marks = {10};
  std::vector<double> times;
  for_each_passage(there_and_back(), PhaseTrack{}, marks, 360,
                   [&](const Passage& passage) { times.push_back(passage.t_s); });
  ASSERT_EQ(times.size(), 2u);
  EXPECT_NEAR(times[0], 1 - std::sqrt(2.0 / 3.0), 1e-10);
  EXPECT_NEAR(times[1], 1 + std::sqrt(2.0 / 3.0), 1e-10);
  EXPECT_NEAR(*time_at(there_and_back(), 10, 0), times[0], 1e-10);
  EXPECT_NEAR(*time_at(there_and_back(), 10, 0.5), times[1], 1e-10);
  EXPECT_FALSE(time_at(there_and_back(), 31, 0).has_value());
}

TEST(Motion, backwards_over_the_turn_of_the_wheel) {
  const Motion motion = {{0, 5, -10}, {1, -5, -10}};
  const std::vector<double> marks = {0, 358};
  std::vector<std::int64_t> turns;
  for_each_passage(motion, PhaseTrack{}, marks, 360, [&](const Passage& passage) {
    EXPECT_FALSE(passage.forward);
    turns.push_back(passage.turn);
  });
  const std::vector<std::int64_t> expected = {0, -1};
  EXPECT_EQ(turns, expected);
}

TEST(PhaseTrack, a_step_builds_up_with_angle_and_never_goes_back) {
  PhaseTrack track(1);
  track.add_step({100, 20, 6});
  EXPECT_DOUBLE_EQ(track.at({0, 90, 0}), 1);
  EXPECT_DOUBLE_EQ(track.at({1, 110, 0}), 4);
  EXPECT_DOUBLE_EQ(track.at({2, 105, 0}), 4);
  EXPECT_DOUBLE_EQ(track.at({3, 130, 0}), 7);
}

TEST(PhaseTrack, points_are_joined_by_lines_and_held_outside) {
  PhaseTrack track;
  track.add_point(1, 0);
  track.add_point(2, -20);
  EXPECT_DOUBLE_EQ(track.at({0.5, 0, 0}), 0);
  EXPECT_DOUBLE_EQ(track.at({1.25, 0, 0}), -5);
  EXPECT_DOUBLE_EQ(track.at({9, 0, 0}), -20);
}

}  // namespace
}  // namespace cw::sim
