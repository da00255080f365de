#include "items/observation.hpp"

#include <gtest/gtest.h>

#include <set>
#include <string>

namespace cw {
namespace {

// Names of the values 0, 1, ... of an enumeration up to the first that is unknown.
template <typename Enum>
std::set<std::string> names_of() {
  std::set<std::string> names;
  for (int value = 0;; ++value) {
    const std::string name(to_string(static_cast<Enum>(value)));
    if (name == "unknown" || value > 100) {
      return names;
    }
    EXPECT_TRUE(names.insert(name).second) << name << " stands for two values";
  }
}

bool is_file_word(const std::string& name) {
  return !name.empty() && name.find_first_not_of("abcdefghijklmnopqrstuvwxyz-") == std::string::npos;
}

TEST(Names, are_words_of_small_letters_and_dashes_each_used_once) {
  for (const auto& names : {names_of<LockState>(), names_of<FindingKind>(), names_of<Severity>(),
                            names_of<FindingPhase>(), names_of<Attribution>()}) {
    EXPECT_FALSE(names.empty());
    for (const std::string& name : names) {
      EXPECT_TRUE(is_file_word(name)) << name;
    }
  }
}

TEST(Names, of_lock_states_are_those_of_the_design) {
  EXPECT_EQ(to_string(LockState::no_signal), "no-signal");
  EXPECT_EQ(to_string(LockState::searching), "searching");
  EXPECT_EQ(to_string(LockState::revolution_locked), "revolution-locked");
  EXPECT_EQ(to_string(LockState::cycle_locked), "cycle-locked");
  EXPECT_EQ(to_string(LockState::lost), "lost");
}

TEST(Names, of_findings_stand_beside_the_right_values) {
  EXPECT_EQ(to_string(FindingKind::sync_lost), "sync-lost");
  EXPECT_EQ(to_string(FindingKind::missed_edge), "missed-edge");
  EXPECT_EQ(to_string(FindingKind::crank_signal_stopped), "crank-signal-stopped");
  EXPECT_EQ(to_string(FindingKind::cam_step), "cam-step");
  EXPECT_EQ(to_string(FindingKind::tdc_deviation), "tdc-deviation");
  EXPECT_EQ(to_string(FindingKind::margin_low), "margin-low");
  EXPECT_EQ(to_string(FindingKind::frames_dropped), "frames-dropped");
  EXPECT_EQ(to_string(FindingKind::bus_trouble), "bus-trouble");
  EXPECT_EQ(to_string(FindingKind::crank_wheel_drift), "crank-wheel-drift");
  EXPECT_EQ(to_string(FindingKind::differs_from_baseline), "differs-from-baseline");
  EXPECT_EQ(to_string(FindingKind::ecu_lost_sync_on_clean_signal), "ecu-lost-sync-on-clean-signal");
  EXPECT_EQ(to_string(FindingKind::ecu_silent), "ecu-silent");
  EXPECT_EQ(to_string(FindingKind::clock_trouble), "clock-trouble");
  EXPECT_EQ(to_string(Severity::fault), "fault");
  EXPECT_EQ(to_string(FindingPhase::close), "close");
  EXPECT_EQ(to_string(Attribution::sensor_or_wiring), "sensor-or-wiring");
  EXPECT_EQ(to_string(Attribution::undecided), "undecided");
}

TEST(Names, of_values_that_do_not_exist_are_unknown) {
  EXPECT_EQ(to_string(static_cast<LockState>(99)), "unknown");
  EXPECT_EQ(to_string(static_cast<FindingKind>(99)), "unknown");
}

}  // namespace
}  // namespace cw
