#include "sync/place_search.hpp"

#include <cstdint>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::NamedWheel;
using test::Passage;

TEST(PlaceSearch, the_longest_row_stands_at_the_right_tooth_after_a_turn_from_every_start) {
  for (const NamedWheel& wheel : test::gap_wheels()) {
    const std::vector<double> steps = test::steps_of_turn(wheel.cycle);
    for (int first = 0; first < test::teeth_a_turn(wheel.cycle); ++first) {
      PlaceSearch search(steps);
      const std::vector<Passage> teeth =
          passages(wheel.cycle, first, 2 * test::teeth_a_turn(wheel.cycle), test::steady(1000));
      search.begin(teeth[0].t_ns);
      for (std::size_t i = 1; i < teeth.size(); ++i) {
        search.advance(teeth[i].t_ns, {});
      }
      EXPECT_EQ(search.longest().tooth, teeth.back().tooth % wheel.cycle.repeat_teeth) << wheel.name << " " << first;
      EXPECT_EQ(search.longest().clean_steps, static_cast<int>(teeth.size()) - 1);
    }
  }
}

TEST(PlaceSearch, a_missed_tooth_makes_every_row_start_anew) {
  const NamedWheel wheel = test::wheel(60, 2);
  const std::vector<Passage> teeth = without(passages(wheel.cycle, 0, 50, test::steady(3000)), 30, 1);
  PlaceSearch search(test::steps_of_turn(wheel.cycle));
  search.begin(teeth[0].t_ns);
  for (std::size_t i = 1; i < teeth.size(); ++i) {
    search.advance(teeth[i].t_ns, {});
  }
  EXPECT_LE(search.longest().clean_steps, 20);
}

TEST(PlaceSearch, the_right_place_stands_alone_and_a_wrong_one_does_not) {
  const NamedWheel wheel = test::wheel(36, 1);
  const std::vector<double> steps = test::steps_of_turn(wheel.cycle);
  std::vector<std::int64_t> t_ns;
  for (const Passage& tooth : passages(wheel.cycle, 0, 71, test::steady(1000))) {
    t_ns.push_back(tooth.t_ns);
  }
  // 71 teeth from tooth 0: the last is tooth 0 again.
  EXPECT_GT(judge_rows(steps, t_ns, {}).margin, 10);
  EXPECT_EQ(judge_rows(steps, t_ns, {}).tooth, 0);
}

TEST(PlaceSearch, a_pattern_of_one_tooth_has_no_rival) {
  const std::vector<double> even = {30};
  const std::vector<std::int64_t> t_ns = {0, 1000, 2000};
  EXPECT_EQ(judge_rows(even, t_ns, {}).margin, no_rival_margin);
}

}  // namespace
}  // namespace cw
