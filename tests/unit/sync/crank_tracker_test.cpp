#include "sync/crank_tracker.hpp"

#include <cmath>
#include <cstdint>
#include <numbers>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "geometry/angle.hpp"
#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::NamedWheel;
using test::Passage;
using test::TrackerWatch;

std::size_t turn_of(const ToothCycle& cycle) {
  return static_cast<std::size_t>(test::teeth_a_turn(cycle));
}

std::vector<NamedWheel> all_wheels() {
  std::vector<NamedWheel> wheels = test::gap_wheels();
  wheels.push_back({"list", test::listed_wheel({0, 25, 60, 80, 130, 150, 205, 220, 260, 310})});
  wheels.push_back({"two gaps", tooth_cycle(test::engine_with(pitched_teeth(36, {{16, 2}, {31, 1}}, 360), 36))});
  return wheels;
}

// What the tracker says of one edge, for a message.
std::string words(const CrankFault& fault) {
  const char* const kind = fault.kind == ToothFault::extra    ? "extra after tooth "
                           : fault.kind == ToothFault::missed ? "missed tooth "
                                                              : "jump after tooth ";
  return kind + std::to_string(fault.tooth) + " at " + std::to_string(fault.wheel_deg) + " deg, " +
         std::to_string(fault.t_ns) + " ns";
}
std::string words(const std::vector<CrankFault>& faults) {
  std::string all;
  for (const CrankFault& fault : faults) {
    all += words(fault) + "; ";
  }
  return all;
}

void expect_held(const TrackerWatch& watch, const std::string& where) {
  EXPECT_EQ(watch.locks(), 1) << where;
  EXPECT_EQ(watch.losses(), 0) << where << ": " << to_string(watch.last_reason());
  EXPECT_EQ(watch.wrong_marks(), 0) << where;
  EXPECT_TRUE(watch.tracker().locked()) << where;
}

// ---- taking a lock

// A lock needs the pattern from gap to gap: from the tooth after a gap that is two turns and the teeth that confirm.
TEST(CrankTrackerLock, comes_within_two_turns_and_a_few_teeth_from_every_tooth_and_is_right) {
  for (const NamedWheel& wheel : all_wheels()) {
    const std::size_t turn = turn_of(wheel.cycle);
    for (std::size_t first = 0; first < turn; ++first) {
      for (const double rpm : {900.0, 3000.0}) {
        TrackerWatch watch(wheel.cycle);
        watch.teeth(passages(wheel.cycle, static_cast<int>(first), static_cast<int>(5 * turn), test::steady(rpm)));
        const std::string where =
            wheel.name + " from tooth " + std::to_string(first) + ", " + std::to_string(rpm) + " rpm";
        EXPECT_GT(watch.acquired_after(), static_cast<int>(turn + 2)) << where << ": no two gaps can have been seen";
        EXPECT_LE(watch.acquired_after(), static_cast<int>(2 * turn + 3)) << where;
        expect_held(watch, where);
        EXPECT_EQ(watch.faults().size(), 0U) << where;
        // All but the few that are not yet decided; on a slow crank, all but those that no gap has confirmed.
        const std::size_t open = rpm < 1200 ? turn + 3 : CrankTracker::lag_marks + 1;
        EXPECT_GE(watch.right_marks(), static_cast<int>(5 * turn - open)) << where;
      }
    }
  }
}

TEST(CrankTrackerLock, comes_on_an_even_wheel_where_only_the_cams_can_tell_the_tooth) {
  const NamedWheel wheel = test::wheel(12, 0);
  ASSERT_EQ(wheel.cycle.repeat_teeth, 1);
  TrackerWatch watch(wheel.cycle);
  watch.teeth(passages(wheel.cycle, 5, 60, test::steady(900)));
  expect_held(watch, "12 even");
  EXPECT_EQ(watch.faults().size(), 0U);
}

TrackerWatch cranked_from(const NamedWheel& wheel, int phase_of_24) {
  TrackerWatch watch(wheel.cycle);
  watch.teeth(passages(wheel.cycle, 7, static_cast<int>(8 * turn_of(wheel.cycle)),
                       test::cranking(2 * std::numbers::pi * phase_of_24 / 24)));
  return watch;
}

TEST(CrankTrackerLock, comes_under_the_published_cranking_record_in_every_phase) {
  const NamedWheel wheel = test::wheel(60, 2);
  for (int i = 0; i < 24; ++i) {
    const TrackerWatch watch = cranked_from(wheel, i);
    expect_held(watch, wheel.name + ", phase " + std::to_string(i) + " of 24");
    EXPECT_EQ(watch.faults().size(), 0U) << words(watch.faults());
  }
}

TEST(CrankTrackerLock, under_the_published_cranking_record_no_wrong_tooth_is_told_on_coarser_wheels) {
  for (const NamedWheel& wheel : {test::wheel(36, 1), test::wheel(24, 1)}) {
    for (int i = 0; i < 24; ++i) {
      EXPECT_EQ(cranked_from(wheel, i).wrong_marks(), 0) << wheel.name << ", phase " << i << " of 24";
    }
  }
}

// A known limit. Of 24 phases 5 fail on 36-1 (two lock and lose it again as nearly stopped, three don't lock within eight
// turns) and 7 on 24-1 (no lock within eight turns). Nothing wrong is told in any of them.
TEST(CrankTrackerLock, DISABLED_comes_under_the_published_cranking_record_in_every_phase_on_coarser_wheels) {
  for (const NamedWheel& wheel : {test::wheel(36, 1), test::wheel(24, 1)}) {
    int failing = 0;
    for (int i = 0; i < 24; ++i) {
      const TrackerWatch watch = cranked_from(wheel, i);
      const bool held = watch.locks() == 1 && watch.losses() == 0 && watch.wrong_marks() == 0 &&
                        watch.tracker().locked() && watch.faults().empty();
      failing += held ? 0 : 1;
      EXPECT_TRUE(held) << wheel.name << ", phase " << i << " of 24: locks " << watch.locks() << ", losses "
                        << watch.losses() << ", wrong " << watch.wrong_marks() << ", faults " << words(watch.faults());
    }
    EXPECT_EQ(failing, 0) << wheel.name << ", of 24";
  }
}

TEST(CrankTrackerLock, holds_at_12000_rpm_with_2_us_jitter) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1), test::wheel(24, 1)}) {
    for (std::uint64_t seed = 1; seed <= 3; ++seed) {
      TrackerWatch watch(wheel.cycle);
      const std::size_t turn = turn_of(wheel.cycle);
      watch.teeth(
          with_jitter(passages(wheel.cycle, 11, static_cast<int>(200 * turn), test::steady(12'000)), 2000, seed));
      expect_held(watch, wheel.name + ", seed " + std::to_string(seed));
      EXPECT_EQ(watch.faults().size(), 0U) << wheel.name << ": " << words(watch.faults());
    }
  }
}

TEST(CrankTrackerLock, holds_through_30000_rpm_a_second) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1), test::wheel(12, 3)}) {
    TrackerWatch watch(wheel.cycle);
    const std::size_t turn = turn_of(wheel.cycle);
    // 20 turns from 1,000 rpm at 30,000 rpm/s: v^2 = 6000^2 + 2 * 180000 * 7200, about 8,500 rpm.
    watch.teeth(
        with_jitter(passages(wheel.cycle, 2, static_cast<int>(20 * turn), test::speeding_up(1000, 30'000)), 500, 4));
    expect_held(watch, wheel.name);
    EXPECT_EQ(watch.faults().size(), 0U) << wheel.name << ": " << words(watch.faults());
  }
}

TEST(CrankTrackerLock, does_not_depend_on_where_the_clock_stands) {
  const NamedWheel wheel = test::wheel(60, 2);
  for (const std::int64_t start_ns : {std::int64_t{0}, std::int64_t{1'000'000'000'000'000'000}}) {
    TrackerWatch watch(wheel.cycle);
    std::vector<Passage> teeth = passages(wheel.cycle, 20, 400, test::steady(3000));
    for (Passage& tooth : teeth) {
      tooth.t_ns += start_ns;
    }
    watch.teeth(without(teeth, 200, 1));
    expect_held(watch, "start " + std::to_string(start_ns));
    ASSERT_EQ(watch.faults().size(), 1U);
    EXPECT_NEAR(static_cast<double>(watch.faults()[0].t_ns - teeth[200].t_ns), 0, 1000);
  }
}

// ---- no lock where there is nothing to lock on to

TEST(CrankTrackerLock, is_never_taken_on_random_edges) {
  for (const NamedWheel& wheel : test::gap_wheels()) {
    int locks = 0;
    for (std::uint64_t seed = 1; seed <= 200; ++seed) {
      test::Dice dice(seed);
      CrankTracker tracker(wheel.cycle);
      double t_ns = 0;
      for (int i = 0; i < 5000; ++i) {
        t_ns += 1e6 * dice.exponential();
        locks += tracker.edge(std::llround(t_ns)) == CrankEvent::acquired ? 1 : 0;
      }
    }
    EXPECT_EQ(locks, 0) << wheel.name << ", of 1,000,000 random edges";
  }
}

int locks_when_cranked(const ToothCycle& file, const ToothCycle& signal, double phase) {
  TrackerWatch watch(file);
  watch.teeth(passages(signal, 1, 20 * test::teeth_a_turn(signal), test::cranking(phase)));
  return watch.locks();
}

TEST(CrankTrackerLock, is_never_taken_at_steady_speed_on_another_wheel_than_the_file_says) {
  const ToothCycle w60_2 = test::wheel(60, 2).cycle;
  const ToothCycle w36_1 = test::wheel(36, 1).cycle;
  const ToothCycle even = test::wheel(60, 0).cycle;
  const auto expect_no_lock = [](const ToothCycle& file, const ToothCycle& signal, const std::string& where) {
    for (const double rpm : {200.0, 900.0, 6000.0}) {
      TrackerWatch watch(file);
      watch.teeth(with_jitter(passages(signal, 1, 60 * test::teeth_a_turn(signal), test::steady(rpm)), 1000, 9));
      EXPECT_EQ(watch.locks(), 0) << where << " at " << rpm << " rpm";
    }
  };
  expect_no_lock(w60_2, even, "even 60 with a 60-2 file");
  expect_no_lock(w36_1, even, "even 60 with a 36-1 file");
  expect_no_lock(w60_2, w36_1, "36-1 with a 60-2 file");
  expect_no_lock(w36_1, w60_2, "60-2 with a 36-1 file");
}

TEST(CrankTrackerLock, is_never_taken_when_another_wheel_than_the_file_says_is_cranked) {
  const ToothCycle w60_2 = test::wheel(60, 2).cycle;
  const ToothCycle w36_1 = test::wheel(36, 1).cycle;
  const ToothCycle even = test::wheel(60, 0).cycle;
  for (int i = 0; i < 24; ++i) {
    const double phase = 2 * std::numbers::pi * i / 24;
    EXPECT_EQ(locks_when_cranked(w60_2, even, phase), 0) << "even 60 with a 60-2 file, phase " << i << " of 24";
    EXPECT_EQ(locks_when_cranked(w36_1, even, phase), 0) << "even 60 with a 36-1 file, phase " << i << " of 24";
    EXPECT_EQ(locks_when_cranked(w60_2, w36_1, phase), 0) << "36-1 with a 60-2 file, phase " << i << " of 24";
  }
}

// A known limit. A lock is taken in 10 of 24 phases (1 to 4 and 12 to 17), up to 19 times in 20 turns.
TEST(CrankTrackerLock, DISABLED_is_never_taken_when_a_60_2_wheel_is_cranked_with_a_36_1_file) {
  int failing = 0;
  for (int i = 0; i < 24; ++i) {
    const int locks =
        locks_when_cranked(test::wheel(36, 1).cycle, test::wheel(60, 2).cycle, 2 * std::numbers::pi * i / 24);
    failing += locks > 0 ? 1 : 0;
    EXPECT_EQ(locks, 0) << "phase " << i << " of 24";
  }
  EXPECT_EQ(locks_when_cranked(test::wheel(36, 1).cycle, test::wheel(60, 2).cycle, 1), 0);
  EXPECT_EQ(failing, 0) << "of 24";
}

// One tooth more or less in the gap is near the limit of what can be told at cranking speed, so it may be taken for a
// fault at first; but the same fault turn after turn is another wheel.
TEST(CrankTrackerLock, is_not_kept_for_more_than_three_turns_on_a_wheel_with_another_gap) {
  const ToothCycle w36_1 = test::wheel(36, 1).cycle;
  const ToothCycle w36_2 = test::wheel(36, 2).cycle;
  const auto longest_claim = [](const ToothCycle& file, const std::vector<Passage>& teeth) {
    TrackerWatch watch(file);
    int longest = 0;
    int now = 0;
    for (const Passage& tooth : teeth) {
      watch.odd(tooth.t_ns);
      now = watch.claims_position() ? now + 1 : 0;
      longest = std::max(longest, now);
    }
    return longest;
  };
  const auto steady_200 = [](const ToothCycle& signal) {
    return with_jitter(passages(signal, 1, 60 * test::teeth_a_turn(signal), test::steady(200)), 1000, 9);
  };
  const auto cranked = [](const ToothCycle& signal) {
    return passages(signal, 1, 40 * test::teeth_a_turn(signal), test::cranking(1));
  };
  EXPECT_LE(longest_claim(w36_1, steady_200(w36_2)), 3 * 34) << "36-2 with a 36-1 file, 200 rpm";
  EXPECT_LE(longest_claim(w36_2, steady_200(w36_1)), 3 * 35) << "36-1 with a 36-2 file, 200 rpm";
  // Doubt in between, when a slow crank may turn back, does not make it another claim.
  TrackerWatch cranking(w36_1);
  int claims = 0;
  for (const Passage& tooth : cranked(w36_2)) {
    cranking.odd(tooth.t_ns);
    claims += cranking.claims_position() ? 1 : 0;
  }
  EXPECT_LE(claims, 3 * 34) << "36-2 with a 36-1 file, 40 turns of cranking, losses " << cranking.losses();
}

// With a pitch of more than 18 degrees, a compression dip that comes every turn can look more like the gap than the gap.
TEST(CrankTrackerLock, is_not_taken_on_a_coarse_wheel_below_350_rpm) {
  const NamedWheel coarse = test::wheel(12, 3);
  const NamedWheel finer = test::wheel(24, 1);
  const auto locks_at = [](const NamedWheel& wheel, double rpm) {
    TrackerWatch watch(wheel.cycle);
    watch.teeth(passages(wheel.cycle, 1, 10 * test::teeth_a_turn(wheel.cycle), test::steady(rpm)));
    return watch.locks();
  };
  EXPECT_EQ(locks_at(coarse, 340), 0);
  EXPECT_EQ(locks_at(coarse, 360), 1);
  EXPECT_EQ(locks_at(finer, 340), 1);
  for (int i = 0; i < 24; ++i) {
    EXPECT_EQ(locks_when_cranked(coarse.cycle, coarse.cycle, 2 * std::numbers::pi * i / 24), 0) << i << " of 24";
  }
}

// Teeth so far apart that a ripple in speed, the same in each turn, makes one step of the wheel look like another. More turns
// make it no truer.
TEST(CrankTrackerLock, is_not_taken_where_one_turn_of_a_coarse_wheel_tells_too_little_however_many_say_the_same) {
  const ToothCycle cycle = test::listed_wheel({0, 77, 145, 229, 293});
  int locks = 0;
  for (const double share : {0.0, 0.04, 0.08, 0.12, 0.16}) {
    for (int i = 0; i < 24; ++i) {
      const double phase = 2 * std::numbers::pi * i / 24;
      const auto rippling = [&](double deg) {  // d t / d angle swings by `share`, twice a turn, about 600 rpm
        const double rad = 2 * deg * std::numbers::pi / 180;
        return 1e9 / 3600 * (deg + share * 90 / std::numbers::pi * (std::sin(rad + phase) - std::sin(phase)));
      };
      TrackerWatch watch(cycle);
      watch.teeth(test::passages(cycle, 1, 30 * 5, rippling));
      EXPECT_EQ(watch.wrong_marks(), 0) << share << ", phase " << i << " of 24";
      locks += watch.locks();
    }
  }
  EXPECT_GT(locks, 0) << "nothing was tried";
}

// What came before a stop of 0.7 s may have gone backwards: it is no part of a lock. Slowed down evenly to the stop, each
// interval is as long as the one before lets expect; so is the stop.
TEST(CrankTrackerLock, rests_on_no_tooth_from_before_the_crank_stood) {
  const ToothCycle cycle = test::wheel(27, 1).cycle;
  constexpr double stand_s = 0.7;
  constexpr double deg_s2 = 2000;
  for (double stands_at_deg = 60; stands_at_deg < 340; stands_at_deg += 5) {
    const auto stopping = [=](double deg) {
      const double from_stop_s = std::sqrt(2 * std::fabs(deg - stands_at_deg) / deg_s2);
      return 1e9 * (deg < stands_at_deg ? 5 - from_stop_s : 5 + stand_s + from_stop_s);
    };
    TrackerWatch watch(cycle);
    watch.teeth(test::passages(cycle, 7, 80, stopping));
    ASSERT_GE(watch.locks(), 1) << stands_at_deg;
    const CrankTracker& tracker = watch.tracker();
    EXPECT_GE(tracker.mark(tracker.first_mark()).t_ns, 5'000'000'000) << stands_at_deg;
  }
}

TEST(CrankTrackerLock, is_not_taken_when_all_edges_come_at_one_time) {
  CrankTracker tracker(test::wheel(36, 1).cycle);
  for (int i = 0; i < 500; ++i) {
    EXPECT_NE(tracker.edge(1000), CrankEvent::acquired);
  }
  EXPECT_FALSE(tracker.locked());
}

// ---- one edge too many

// Turns before a fault: a lock may need two turns and two teeth, the pattern from gap to gap, and one more turn is clean.
constexpr std::size_t prelude_turns = 4;

// 12-3 has a gap of 120 degrees among steps of 30. An edge 0.8 of the way into it makes steps of 96 and 24 degrees, both
// 0.8 of what is due: at the first look the same as a crank that turns 25 % faster. Likewise the first tooth after the
// gap, missed: 150 degrees where 120 are due, the same as a crank that turns 20 % slower. Speed may change by that much
// over so long a step, so these two places are left to the DISABLED_ test below.
bool passes_for_a_longer_gap(const NamedWheel& wheel, const Passage& before, double fraction) {
  return wheel.name == "12-3" && before.tooth % 9 == 8 && fraction == 0.8;
}
bool misses_the_end_of_a_long_gap(const NamedWheel& wheel, const Passage& missed) {
  return wheel.name == "12-3" && missed.tooth % 9 == 0;
}

// A known limit. Both faults, 1 of 9 teeth missed and 1 of 45 places for an edge too many, give one wrong tooth; the edge
// too many also costs the lock and isn't told.
TEST(CrankTrackerFaults, DISABLED_on_12_3_a_fault_that_makes_the_gap_a_quarter_longer_or_shorter_is_named) {
  const NamedWheel wheel = test::wheel(12, 3);
  const std::vector<Passage> teeth = passages(wheel.cycle, 0, 9 * 8, test::steady(3000));
  const std::size_t last = prelude_turns * 9 + 8;
  TrackerWatch missed(wheel.cycle);
  missed.teeth(without(teeth, last + 1, 1));
  expect_held(missed, "first tooth after the gap missed");
  EXPECT_EQ(missed.faults().size(), 1U) << words(missed.faults());
  TrackerWatch extra(wheel.cycle);
  const auto gap_ns = static_cast<double>(teeth[last + 1].t_ns - teeth[last].t_ns);
  extra.mixed(teeth, {teeth[last].t_ns + std::llround(0.8 * gap_ns)});
  expect_held(extra, "an edge too many 0.8 into the gap");
  EXPECT_EQ(extra.faults().size(), 1U) << words(extra.faults());
}

TEST(CrankTrackerFaults, an_extra_edge_anywhere_is_named_once_and_the_position_held) {
  for (const NamedWheel& wheel : test::gap_wheels()) {
    const std::size_t turn = turn_of(wheel.cycle);
    const std::vector<Passage> teeth = passages(wheel.cycle, 0, static_cast<int>(8 * turn), test::steady(3000));
    for (std::size_t at = prelude_turns * turn; at < (prelude_turns + 1) * turn; ++at) {
      for (const double fraction : {0.2, 1.0 / 3, 0.5, 2.0 / 3, 0.8}) {
        const Passage& before = teeth[at];
        const double step_deg = wheel.cycle.teeth[static_cast<std::size_t>(before.tooth)].step_deg;
        const auto odd_ns =
            before.t_ns + std::llround(fraction * static_cast<double>(teeth[at + 1].t_ns - before.t_ns));
        if (passes_for_a_longer_gap(wheel, before, fraction)) {
          continue;
        }
        TrackerWatch watch(wheel.cycle);
        watch.mixed(teeth, {odd_ns});
        const std::string where = wheel.name + " after tooth " + std::to_string(before.tooth) + " by " +
                                  std::to_string(fraction) + " of the step";
        expect_held(watch, where);
        ASSERT_EQ(watch.faults().size(), 1U) << where << ": " << words(watch.faults());
        const CrankFault& fault = watch.faults()[0];
        EXPECT_EQ(fault.kind, ToothFault::extra) << where;
        EXPECT_EQ(fault.t_ns, odd_ns) << where;
        EXPECT_EQ(fault.tooth % wheel.cycle.repeat_teeth, before.tooth % wheel.cycle.repeat_teeth) << where;
        EXPECT_NEAR(wrap_signed_deg(fault.wheel_deg - before.deg - fraction * step_deg, 360), 0, 0.1) << where;
        EXPECT_NEAR(fault.rpm, 3000, 30) << where;
      }
    }
  }
}

TEST(CrankTrackerFaults, an_edge_that_comes_twice_at_the_same_time_is_one_too_many) {
  for (const NamedWheel& wheel : test::gap_wheels()) {
    const std::size_t turn = turn_of(wheel.cycle);
    const std::vector<Passage> teeth = passages(wheel.cycle, 0, static_cast<int>(8 * turn), test::steady(3000));
    for (std::size_t at = prelude_turns * turn; at < (prelude_turns + 1) * turn; ++at) {
      TrackerWatch watch(wheel.cycle);
      for (std::size_t i = 0; i < teeth.size(); ++i) {
        watch.tooth(teeth[i]);
        if (i == at) {
          watch.odd(teeth[i].t_ns);
        }
      }
      const std::string where = wheel.name + " at tooth " + std::to_string(teeth[at].tooth);
      expect_held(watch, where);
      ASSERT_EQ(watch.faults().size(), 1U) << where << ": " << words(watch.faults());
      EXPECT_EQ(watch.faults()[0].kind, ToothFault::extra) << where;
      EXPECT_EQ(watch.faults()[0].t_ns, teeth[at].t_ns) << where;
    }
  }
}

TEST(CrankTrackerFaults, a_burst_of_twelve_leaves_the_position_right) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1), test::wheel(36, 2)}) {
    const std::size_t turn = turn_of(wheel.cycle);
    const std::vector<Passage> teeth = passages(wheel.cycle, 0, static_cast<int>(10 * turn), test::steady(3000));
    const double ns_per_deg = 1e9 / (6 * 3000);
    for (std::size_t at = prelude_turns * turn; at < (prelude_turns + 1) * turn; ++at) {
      test::Dice dice(at);
      std::vector<std::int64_t> odd_ns;
      odd_ns.reserve(12);
      for (int i = 0; i < 12; ++i) {
        odd_ns.push_back(teeth[at].t_ns + std::llround(30 * ns_per_deg * dice.uniform()));
      }
      std::sort(odd_ns.begin(), odd_ns.end());
      TrackerWatch watch(wheel.cycle);
      watch.mixed(teeth, odd_ns);
      const std::string where = wheel.name + " after tooth " + std::to_string(teeth[at].tooth);
      EXPECT_EQ(watch.wrong_marks(), 0) << where;
      EXPECT_TRUE(watch.tracker().locked()) << where;
      const auto extras = std::count_if(watch.faults().begin(), watch.faults().end(),
                                        [](const CrankFault& f) { return f.kind == ToothFault::extra; });
      EXPECT_GE(extras, 10) << where << ", losses " << watch.losses();
      EXPECT_LE(extras, 12) << where;
    }
  }
}

// ---- missed edges

TEST(CrankTrackerFaults, a_missed_edge_anywhere_is_named_once_and_the_position_held) {
  for (const NamedWheel& wheel : test::gap_wheels()) {
    const std::size_t turn = turn_of(wheel.cycle);
    const std::vector<Passage> teeth = passages(wheel.cycle, 0, static_cast<int>(8 * turn), test::steady(3000));
    for (std::size_t at = prelude_turns * turn; at < (prelude_turns + 1) * turn; ++at) {
      if (misses_the_end_of_a_long_gap(wheel, teeth[at])) {
        continue;
      }
      TrackerWatch watch(wheel.cycle);
      watch.teeth(without(teeth, at, 1));
      const std::string where = wheel.name + " at tooth " + std::to_string(teeth[at].tooth);
      expect_held(watch, where);
      ASSERT_EQ(watch.faults().size(), 1U) << where << ": " << words(watch.faults());
      const CrankFault& fault = watch.faults()[0];
      EXPECT_EQ(fault.kind, ToothFault::missed) << where;
      EXPECT_EQ(fault.tooth % wheel.cycle.repeat_teeth, teeth[at].tooth % wheel.cycle.repeat_teeth) << where;
      EXPECT_NEAR(wrap_signed_deg(fault.wheel_deg - teeth[at].deg, 360), 0, 1e-6) << where;
      EXPECT_NEAR(static_cast<double>(fault.t_ns - teeth[at].t_ns), 0, 2) << where;
    }
  }
}

// `count` edges in a row are away, whatever the tooth: each is named and the position is held.
void expect_run_named(const NamedWheel& wheel, std::size_t count) {
  const std::size_t turn = turn_of(wheel.cycle);
  const std::vector<Passage> teeth = passages(wheel.cycle, 0, static_cast<int>(9 * turn), test::steady(3000));
  for (std::size_t at = prelude_turns * turn; at < (prelude_turns + 1) * turn; ++at) {
    TrackerWatch watch(wheel.cycle);
    watch.teeth(without(teeth, at, count));
    const std::string where =
        wheel.name + ", " + std::to_string(count) + " from tooth " + std::to_string(teeth[at].tooth) + " on";
    expect_held(watch, where);
    ASSERT_EQ(watch.faults().size(), count) << where << ": " << words(watch.faults());
    for (std::size_t i = 0; i < count; ++i) {
      EXPECT_EQ(watch.faults()[i].kind, ToothFault::missed) << where;
      EXPECT_EQ(watch.faults()[i].tooth % wheel.cycle.repeat_teeth, teeth[at + i].tooth % wheel.cycle.repeat_teeth)
          << where;
    }
  }
}

TEST(CrankTrackerFaults, two_missed_edges_in_a_row_are_named_at_every_tooth) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1), test::wheel(36, 2), test::wheel(24, 1)}) {
    expect_run_named(wheel, 2);
  }
}

TEST(CrankTrackerFaults, an_outage_of_three_to_five_teeth_is_held_through_and_named) {
  for (const std::size_t count : {3U, 4U, 5U}) {
    expect_run_named(test::wheel(60, 2), count);
  }
}

TEST(CrankTrackerFaults, an_outage_that_is_not_named_is_a_loss_and_never_edges_too_many) {
  const NamedWheel wheel = test::wheel(60, 2);
  const std::vector<Passage> teeth = passages(wheel.cycle, 0, 58 * 9, test::steady(3000));
  for (std::size_t at = prelude_turns * 58; at < (prelude_turns + 1) * 58; ++at) {
    for (std::size_t count = 6; count <= 12; ++count) {
      TrackerWatch watch(wheel.cycle);
      watch.teeth(without(teeth, at, count));
      const std::string where = std::to_string(count) + " from tooth " + std::to_string(teeth[at].tooth) + " on";
      EXPECT_EQ(watch.wrong_marks(), 0) << where;
      EXPECT_TRUE(watch.losses() == 1 || watch.faults().size() == count) << where << ": " << words(watch.faults());
      EXPECT_TRUE(std::none_of(watch.faults().begin(), watch.faults().end(),
                               [](const CrankFault& fault) { return fault.kind == ToothFault::extra; }))
          << where << ": " << words(watch.faults());
    }
  }
}

TEST(CrankTrackerFaults, a_longer_outage_loses_the_lock_and_comes_back_at_the_right_place) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1)}) {
    const std::size_t turn = turn_of(wheel.cycle);
    const std::vector<Passage> teeth = passages(wheel.cycle, 0, static_cast<int>(11 * turn), test::steady(3000));
    for (std::size_t at = prelude_turns * turn; at < (prelude_turns + 1) * turn; ++at) {
      for (const std::size_t count : {std::size_t{15}, turn, 2 * turn + 3}) {
        TrackerWatch watch(wheel.cycle);
        watch.teeth(without(teeth, at, count));
        const std::string where =
            wheel.name + ", " + std::to_string(count) + " from tooth " + std::to_string(teeth[at].tooth) + " on";
        EXPECT_EQ(watch.losses(), 1) << where;
        EXPECT_EQ(watch.last_reason(), LossReason::nothing_fits) << where;
        EXPECT_TRUE(std::none_of(watch.faults().begin(), watch.faults().end(),
                                 [](const CrankFault& fault) { return fault.kind == ToothFault::extra; }))
            << where << ": " << words(watch.faults());
        EXPECT_EQ(watch.locks(), 2) << where;
        EXPECT_EQ(watch.wrong_marks(), 0) << where;
        EXPECT_TRUE(watch.tracker().locked()) << where;
      }
    }
  }
}

TEST(CrankTrackerFaults, a_missed_and_an_extra_edge_far_apart_are_both_named) {
  const NamedWheel wheel = test::wheel(60, 2);
  std::vector<Passage> teeth = passages(wheel.cycle, 0, 58 * 12, test::steady(2500));
  const std::int64_t odd_ns = (teeth[400].t_ns + teeth[401].t_ns) / 2;
  const int missed_tooth = teeth[200].tooth % 58;
  const int odd_tooth = teeth[400].tooth % 58;
  TrackerWatch watch(wheel.cycle);
  watch.mixed(without(teeth, 200, 1), {odd_ns});
  expect_held(watch, "60-2");
  ASSERT_EQ(watch.faults().size(), 2U) << words(watch.faults());
  EXPECT_EQ(watch.faults()[0].kind, ToothFault::missed);
  EXPECT_EQ(watch.faults()[0].tooth % 58, missed_tooth);
  EXPECT_EQ(watch.faults()[1].kind, ToothFault::extra);
  EXPECT_EQ(watch.faults()[1].tooth % 58, odd_tooth);
}

// ---- a slow crank: below 1,200 rpm nothing is final before the next gap has come where it should

TEST(CrankTrackerHeldBack, on_a_slow_crank_no_tooth_is_final_before_a_gap_has_come_after_it) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1), test::wheel(24, 1)}) {
    const int turn = test::teeth_a_turn(wheel.cycle);
    CrankTracker tracker(wheel.cycle);
    int checked = 0;
    std::uint64_t told = 0;
    for (const Passage& tooth : passages(wheel.cycle, 0, 8 * turn, test::steady(900))) {
      tracker.edge(tooth.t_ns);
      if (tooth.deg < 4 * 360) {
        continue;  // a fresh lock is final at once, as it was taken from gap to gap
      }
      // Tooth 0 stands behind the gap; the newest final one stands before a gap that is over.
      const auto since_gap = static_cast<std::uint64_t>(tooth.tooth % turn);
      EXPECT_LE(tracker.final_marks(), tracker.marks_end() - 1 - since_gap) << wheel.name << ", tooth " << tooth.tooth;
      EXPECT_GE(tracker.final_marks(), told);
      // Two teeth after the gap, all the teeth before it are told.
      if (since_gap >= 2) {
        EXPECT_GE(tracker.final_marks() + 2, tracker.marks_end() - 1 - since_gap) << wheel.name;
      }
      told = tracker.final_marks();
      ++checked;
    }
    EXPECT_GT(checked, 3 * turn) << wheel.name;
  }
}

TEST(CrankTrackerHeldBack, a_missed_edge_anywhere_on_a_slow_crank_is_named_when_the_next_gaps_have_come) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1), test::wheel(36, 2), test::wheel(24, 1)}) {
    const std::size_t turn = turn_of(wheel.cycle);
    const std::vector<Passage> teeth = passages(wheel.cycle, 0, static_cast<int>(8 * turn), test::steady(900));
    for (std::size_t at = prelude_turns * turn; at < (prelude_turns + 1) * turn; ++at) {
      TrackerWatch watch(wheel.cycle);
      const std::string where = wheel.name + " at tooth " + std::to_string(teeth[at].tooth);
      for (std::size_t i = 0; i < (prelude_turns + 2) * turn + 4; ++i) {
        if (i != at) {
          watch.tooth(teeth[i]);
          EXPECT_EQ(watch.wrong_marks(), 0) << where;
        }
      }
      expect_held(watch, where);
      ASSERT_EQ(watch.faults().size(), 1U) << where << ": " << words(watch.faults());
      EXPECT_EQ(watch.faults()[0].kind, ToothFault::missed) << where;
      EXPECT_EQ(watch.faults()[0].tooth % wheel.cycle.repeat_teeth, teeth[at].tooth % wheel.cycle.repeat_teeth)
          << where;
    }
  }
}

// ---- a wheel that slips on its shaft

TEST(CrankTrackerFaults, a_slip_of_the_wheel_by_part_of_a_tooth_is_one_jump_and_no_missed_or_extra_edge) {
  const NamedWheel wheel = test::wheel(36, 1);
  for (const double slip_deg : {-4.0, 5.0, 6.0}) {
    for (std::size_t at = 5 * 35 + 3; at < 5 * 35 + 30; at += 5) {
      std::vector<Passage> teeth = passages(wheel.cycle, 0, 35 * 14, test::steady(1500));
      for (std::size_t i = at; i < teeth.size(); ++i) {
        teeth[i].t_ns += std::llround(slip_deg * 1e9 / 9000);
      }
      TrackerWatch watch(wheel.cycle);
      watch.teeth(teeth);
      const std::string where = std::to_string(slip_deg) + " deg before tooth " + std::to_string(teeth[at].tooth);
      expect_held(watch, where);
      ASSERT_EQ(watch.faults().size(), 1U) << where << ": " << words(watch.faults());
      EXPECT_EQ(watch.faults()[0].kind, ToothFault::jump) << where;
      EXPECT_NEAR(watch.faults()[0].jump_deg, slip_deg, 0.1) << where;
      EXPECT_EQ(watch.faults()[0].tooth % 35, teeth[at - 1].tooth % 35) << where;
    }
  }
}

// ---- a crank that stops and is thrown back

// Steady cranking, then v^2 falls evenly over `stop_in_deg` to 0 at `turn_deg` after the first tooth; the crank is thrown
// back the same way and then runs backwards at the speed that it had, one turn and a half in all. Edge times of the teeth
// passed forwards, and then of the same teeth passed backwards.
struct ThrownBack {
  std::vector<Passage> forwards;
  std::vector<std::int64_t> backwards_ns;
};
ThrownBack thrown_back(const ToothCycle& cycle, double rpm, double turn_deg, double stop_in_deg) {
  const double v = 6 * rpm;
  const double a = v * v / (2 * stop_in_deg);
  const double stop_s = (turn_deg - stop_in_deg) / v + v / a;
  // From the stop to a tooth that is `away_deg` away; the same forwards and backwards.
  const auto from_stop_s = [&](double away_deg) {
    return away_deg <= stop_in_deg ? std::sqrt(2 * away_deg / a) : v / a + (away_deg - stop_in_deg) / v;
  };
  ThrownBack out;
  const std::vector<Passage> row =
      test::passages(cycle, 0, 10 * test::teeth_a_turn(cycle), [](double deg) { return deg * 1e6; });
  for (const Passage& tooth : row) {
    const double left_deg = turn_deg - tooth.deg;
    if (left_deg <= 0) {
      break;
    }
    out.forwards.push_back({std::llround(1e9 * (stop_s - from_stop_s(left_deg))), tooth.tooth, tooth.deg});
    if (left_deg < 540) {
      out.backwards_ns.push_back(std::llround(1e9 * (stop_s + from_stop_s(left_deg))));
    }
  }
  std::sort(out.backwards_ns.begin(), out.backwards_ns.end());
  return out;
}

// What is said of a crank that stops at `turn_deg` and is thrown back.
struct SaidOfThrow {
  int wrong_before = 0;  // wrong teeth told on the way there
  int wrong_after = 0;   // teeth told of the way back
  int claims = 0;        // edges on the way back after which the place is still claimed
};
SaidOfThrow said_of_throw(const NamedWheel& wheel, double rpm, double turn_deg) {
  const ThrownBack run = thrown_back(wheel.cycle, rpm, turn_deg, 70);
  TrackerWatch watch(wheel.cycle);
  watch.teeth(run.forwards);
  SaidOfThrow said;
  said.wrong_before = watch.wrong_marks();
  for (std::size_t i = 0; i < run.backwards_ns.size(); ++i) {
    watch.odd(run.backwards_ns[i]);
    // Decisions come `lag_marks` teeth behind; from then on any claim is wrong.
    said.claims += i >= CrankTracker::lag_marks && watch.claims_position() ? 1 : 0;
  }
  said.wrong_after = watch.wrong_marks() - said.wrong_before;
  return said;
}

// Where the decoder is known to be fooled: in the gap, so many teeth before and after it, and so many to either side of
// the place half way between two gaps, from where the gap comes back just when the next one is due.
struct HardPlaces {
  NamedWheel wheel;
  int before_gap = 0;
  int after_gap = 0;
  int half_way = 0;
};
bool is_hard(const HardPlaces& hard, double turn_deg) {
  const ToothCycle& cycle = hard.wheel.cycle;
  const auto last = static_cast<std::size_t>(cycle.repeat_teeth - 1);
  const double pitch_deg = cycle.teeth[0].step_deg;
  const double from_gap_deg = std::fmod(turn_deg, 360);  // the gap ends at 0
  const double gap_start_deg = 360 - cycle.teeth[last].step_deg;
  return from_gap_deg >= gap_start_deg - hard.before_gap * pitch_deg || from_gap_deg <= hard.after_gap * pitch_deg ||
         std::fabs(from_gap_deg - gap_start_deg / 2) <= hard.half_way * pitch_deg;
}

TEST(CrankTrackerTurningBack, loses_its_claim_where_the_crank_stops_away_from_the_gap) {
  for (const HardPlaces& hard : {HardPlaces{test::wheel(60, 2), 1, 0, 0}, HardPlaces{test::wheel(36, 2), 2, 1, 1},
                                 HardPlaces{test::wheel(36, 1), 3, 1, 2}, HardPlaces{test::wheel(24, 1), 4, 3, 3}}) {
    for (double turn_deg = 3 * 360 + 0.35; turn_deg < 4 * 360; turn_deg += 1.3) {
      if (is_hard(hard, turn_deg)) {
        continue;
      }
      for (const double rpm : {150.0, 250.0}) {
        const SaidOfThrow said = said_of_throw(hard.wheel, rpm, turn_deg);
        const std::string where =
            hard.wheel.name + ", " + std::to_string(rpm) + " rpm, stop at " + std::to_string(turn_deg) + " deg";
        EXPECT_EQ(said.wrong_before, 0) << where;
        EXPECT_EQ(said.claims, 0) << where;
        EXPECT_EQ(said.wrong_after, 0) << where;
      }
    }
  }
}

// A known limit. Of 277 stop places at two speeds, 554 stops, the place is still claimed on the way back after 6 on 60-2,
// 17 on 36-1, 22 on 36-2 and 51 on 24-1: all of them at the places of the table above.
TEST(CrankTrackerTurningBack, DISABLED_loses_its_claim_wherever_the_crank_stops) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1), test::wheel(36, 2), test::wheel(24, 1)}) {
    int stops = 0;
    int claimed = 0;
    int told_wrong = 0;
    for (double turn_deg = 3 * 360 + 0.35; turn_deg < 4 * 360; turn_deg += 1.3) {
      for (const double rpm : {150.0, 250.0}) {
        const SaidOfThrow said = said_of_throw(wheel, rpm, turn_deg);
        ++stops;
        claimed += said.claims > 0 ? 1 : 0;
        told_wrong += said.wrong_after > 0 ? 1 : 0;
        EXPECT_EQ(said.wrong_before, 0) << wheel.name << " " << turn_deg;
      }
    }
    EXPECT_EQ(claimed, 0) << wheel.name << ", of " << stops << " stops";
    EXPECT_EQ(told_wrong, 0) << wheel.name << ", of " << stops << " stops";
  }
}

// ---- a lock that is lost on a slow crank and found again

// Steady, so slow that a crank may be thrown back at every tooth.
constexpr double creeping_rpm = 75;

TEST(CrankTrackerRejoin, one_odd_edge_anywhere_on_a_creeping_crank_is_named_when_the_place_has_been_found_again) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1), test::wheel(32, 3)}) {
    const std::size_t turn = turn_of(wheel.cycle);
    const std::vector<Passage> teeth =
        passages(wheel.cycle, 0, static_cast<int>(11 * turn), test::steady(creeping_rpm));
    for (std::size_t at = prelude_turns * turn; at < (prelude_turns + 1) * turn; at += 3) {
      const std::string where = wheel.name + " at tooth " + std::to_string(teeth[at].tooth);
      TrackerWatch missed(wheel.cycle);
      missed.teeth(without(teeth, at, 1));
      ASSERT_EQ(missed.faults().size(), 1U) << where << ": " << words(missed.faults());
      EXPECT_EQ(missed.faults()[0].kind, ToothFault::missed) << where;
      EXPECT_EQ(missed.faults()[0].tooth % wheel.cycle.repeat_teeth, teeth[at].tooth % wheel.cycle.repeat_teeth)
          << where;
      EXPECT_EQ(missed.wrong_marks(), 0) << where;
      EXPECT_EQ(missed.losses(), missed.rejoined()) << where;

      TrackerWatch extra(wheel.cycle);
      extra.mixed(teeth, {teeth[at].t_ns + (teeth[at + 1].t_ns - teeth[at].t_ns) * 2 / 5});
      ASSERT_EQ(extra.faults().size(), 1U) << where << ": " << words(extra.faults());
      EXPECT_EQ(extra.faults()[0].kind, ToothFault::extra) << where;
      EXPECT_EQ(extra.faults()[0].tooth % wheel.cycle.repeat_teeth, teeth[at].tooth % wheel.cycle.repeat_teeth)
          << where;
      EXPECT_EQ(extra.wrong_marks(), 0) << where;
      EXPECT_EQ(extra.losses(), extra.rejoined()) << where;
    }
  }
}

// Back over some teeth and on again: each of them passes twice more, and that is no fault of the signal. The crank comes
// to its first stop as in thrown_back(), half way between two teeth, swings back with the same force, and is taken on.
struct RockedBack {
  std::vector<Passage> before;
  std::vector<std::int64_t> backwards_ns;
  std::vector<std::int64_t> again_ns;  // the same teeth forwards
  std::vector<Passage> after;
};
RockedBack rocked_back(const ToothCycle& cycle, int back_teeth) {
  const double pitch_deg = cycle.teeth[0].step_deg;
  const auto turn = static_cast<double>(test::teeth_a_turn(cycle));
  const double turn_deg = 3 * 360 + (std::floor(turn / 3) + 0.5) * pitch_deg;
  const ThrownBack there = thrown_back(cycle, 150, turn_deg, 70);
  const double a = 900.0 * 900.0 / (2 * 70);
  RockedBack out;
  out.before = there.forwards;
  const auto back = there.forwards.end() - back_teeth;
  const double stop_s = (turn_deg - 70) / 900 + 900 / a;
  // From rest to rest over back_teeth pitches, speeding up and then slowing down.
  const double half_deg = back_teeth * pitch_deg / 2;
  const double swing_s = 2 * std::sqrt(2 * half_deg / a);
  const auto within_s = [&](double along_deg) {
    return along_deg <= half_deg ? std::sqrt(2 * along_deg / a)
                                 : swing_s - std::sqrt(2 * (2 * half_deg - along_deg) / a);
  };
  for (int i = 0; i < back_teeth; ++i) {
    const double s = within_s((i + 0.5) * pitch_deg);
    out.backwards_ns.push_back(std::llround(1e9 * (stop_s + s)));
    out.again_ns.push_back(std::llround(1e9 * (stop_s + swing_s + s)));
  }
  // On from rest at the first stop, and at 150 rpm from 70 degrees on.
  const Passage& last = *(back + back_teeth - 1);
  const int next = (last.tooth + 1) % static_cast<int>(cycle.teeth.size());
  out.after = test::passages(cycle, next, 8 * test::teeth_a_turn(cycle), [&](double deg) {
    const double from_stop_deg = deg + pitch_deg / 2;
    const double s = from_stop_deg < 70 ? std::sqrt(2 * from_stop_deg / a) : 900 / a + (from_stop_deg - 70) / 900;
    return 1e9 * (stop_s + 2 * swing_s + s);
  });
  return out;
}

TEST(CrankTrackerRejoin, a_crank_that_rocks_back_over_some_teeth_and_goes_on_has_no_odd_edges) {
  for (const NamedWheel& wheel : {test::wheel(60, 2), test::wheel(36, 1)}) {
    for (int back_teeth = 1; back_teeth <= 4; ++back_teeth) {
      const RockedBack run = rocked_back(wheel.cycle, back_teeth);
      TrackerWatch watch(wheel.cycle);
      watch.teeth(run.before);
      for (const std::int64_t t_ns : run.backwards_ns) {
        watch.odd(t_ns);
      }
      for (const std::int64_t t_ns : run.again_ns) {
        watch.odd(t_ns);
      }
      watch.teeth(run.after);
      const std::string where = wheel.name + ", back over " + std::to_string(back_teeth);
      EXPECT_TRUE(watch.faults().empty()) << where << ": " << words(watch.faults());
      EXPECT_EQ(watch.wrong_marks(), 0) << where;
      EXPECT_TRUE(watch.claims_position()) << where;
    }
  }
}

TEST(CrankTrackerRejoin, a_deep_dip_at_every_compression_is_no_missed_tooth_once_a_cycle_has_shown_it) {
  // Invented: four dips a cycle, speed down to 0.4 of the mean within 60 degrees, deeper than the published record.
  const auto dips = [](double deg) {
    double t_s = 0;
    constexpr double step = 0.5;
    for (double x = 0; x < deg; x += step) {
      const double phase = std::fmod(x, 180.0) - 97;
      const double share =
          std::fabs(phase) < 30 ? 0.7 + 0.3 * std::cos(std::numbers::pi * (1 - std::fabs(phase) / 30)) : 1;
      t_s += std::min(step, deg - x) / (6 * 140 * share);
    }
    return 1e9 * t_s;
  };
  for (const NamedWheel& wheel : {test::wheel(44, 2), test::wheel(36, 1), test::wheel(32, 3)}) {
    TrackerWatch watch(wheel.cycle);
    const int turn = test::teeth_a_turn(wheel.cycle);
    watch.teeth(test::passages(wheel.cycle, 0, 12 * turn, dips));
    EXPECT_TRUE(watch.faults().empty()) << wheel.name << ": " << words(watch.faults());
    EXPECT_EQ(watch.wrong_marks(), 0) << wheel.name;
    EXPECT_LE(watch.losses(), 1) << wheel.name;
    EXPECT_TRUE(watch.claims_position()) << wheel.name;
  }
}

// ---- forgetting

TEST(CrankTracker, drop_forgets_the_lock_and_fresh_turns_from_gap_to_gap_bring_it_back) {
  const NamedWheel wheel = test::wheel(36, 1);
  CrankTracker tracker(wheel.cycle);
  const std::vector<Passage> teeth = passages(wheel.cycle, 4, 300, test::steady(1200));
  for (std::size_t i = 0; i < 150; ++i) {
    tracker.edge(teeth[i].t_ns);
  }
  ASSERT_TRUE(tracker.locked());
  tracker.drop(LossReason::input_lost);
  EXPECT_FALSE(tracker.locked());
  EXPECT_EQ(tracker.loss_reason(), LossReason::input_lost);
  int acquired_at = 0;
  for (std::size_t i = 150; i < teeth.size() && acquired_at == 0; ++i) {
    acquired_at = tracker.edge(teeth[i].t_ns) == CrankEvent::acquired ? static_cast<int>(i) : 0;
  }
  // Tooth 154 % 35 = 14 is the first again: the second gap is over 55 teeth later, and two more confirm it.
  EXPECT_GE(acquired_at, 150 + 55);
  EXPECT_LE(acquired_at, 150 + 58);
  EXPECT_EQ(tracker.mark(tracker.marks_end() - 1).tooth % 35, teeth[static_cast<std::size_t>(acquired_at)].tooth % 35);
}

TEST(CrankTracker, tells_speed_and_the_next_interval) {
  const NamedWheel wheel = test::wheel(60, 2);
  CrankTracker tracker(wheel.cycle);
  const std::vector<Passage> teeth = passages(wheel.cycle, 0, 58 * 4, test::steady(3000));
  for (const Passage& tooth : teeth) {
    tracker.edge(tooth.t_ns);
  }
  EXPECT_NEAR(tracker.ns_per_deg(), 1e9 / 18000, 1);
  // The last tooth of a turn: 18 degrees to go at 18,000 degrees a second.
  EXPECT_NEAR(tracker.next_interval_ns(), 1e6, 20);
}

TEST(CrankTracker, ratios_are_one_on_an_ideal_wheel_and_taken_once) {
  const NamedWheel wheel = test::wheel(60, 2);
  CrankTracker tracker(wheel.cycle);
  std::vector<Passage> teeth = passages(wheel.cycle, 0, 58 * 6, test::steady(3000));
  teeth[58 * 4 + 10].t_ns += 33'333;  // a tenth of a pitch late
  for (std::size_t i = 0; i < 58 * 4; ++i) {
    tracker.edge(teeth[i].t_ns);
  }
  const CrankTracker::RatioRange ideal = tracker.take_ratios();
  EXPECT_NEAR(ideal.least, 1, 1e-4);
  EXPECT_NEAR(ideal.most, 1, 1e-4);
  for (std::size_t i = 58 * 4; i < teeth.size(); ++i) {
    tracker.edge(teeth[i].t_ns);
  }
  const CrankTracker::RatioRange disturbed = tracker.take_ratios();
  EXPECT_NEAR(disturbed.most, 1 / 0.9, 0.001);
  EXPECT_NEAR(disturbed.least, 0.9 / 1.1, 0.001);
  EXPECT_EQ(tracker.take_ratios().most, 1);
}

TEST(CrankTracker, every_reason_of_a_loss_has_words) {
  for (int reason = 0; reason <= static_cast<int>(LossReason::input_lost); ++reason) {
    EXPECT_NE(to_string(static_cast<LossReason>(reason)), "unknown") << reason;
  }
}

}  // namespace
}  // namespace cw
