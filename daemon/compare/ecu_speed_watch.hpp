// Engine speed that the ECU broadcasts against the speed of the teeth.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "compare/ecu_values.hpp"
#include "compare/fixed_queue.hpp"
#include "compare/held_condition.hpp"
#include "compare/recent.hpp"
#include "compare/witness_past.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

// Whether the ECU's speed is the witness's times a number that stays the same over speeds: then both see the same teeth
// and count them otherwise.
class SpeedRatio {
 public:
  // A moment of steady speed.
  void add(double witness_rpm, double ecu_rpm);
  void clear() { bins_ = {}; }

  struct Found {
    double ratio = 1;
    double rpm_least = 0;  // over which it was seen to be the same
    double rpm_greatest = 0;
  };
  // When speeds half as high again as others, and each often enough, agree on it within 0.5 %.
  std::optional<Found> steady() const;

 private:
  struct Bin {
    int count = 0;
    double rpm = 0;    // mean
    double ratio = 0;  // mean
  };
  static constexpr std::size_t bins = 24;
  std::array<Bin, bins> bins_{};
};

// Teeth that an ECU must count to a turn to see `ratio` times the speed of a wheel of `positions` (missing ones counted);
// nothing when that is no whole number, within what a ratio can be trusted to, or the right one.
std::optional<int> counted_teeth(int positions, double ratio);

class EcuSpeedWatch {
 public:
  EcuSpeedWatch(const Engine& engine, std::uint64_t& next_id) : engine_(engine), next_id_(next_id) {}

  // Mean speed of a cycle, which the firing does not shake; from it a ratio is told, and that a disagreement is over.
  void note_cycle(std::int64_t host_ns, double mean_rpm) { cycles_.add(host_ns, mean_rpm); }
  // The ECU says a speed.
  void take(const EcuValue& speed, bool ecu_may_lack_sync);
  // What was said long enough ago that the witness has seen that time too is compared.
  void tick(std::int64_t now_ns, const WitnessPast& past, std::vector<Finding>& out);
  // The broadcast or the edges are broken off.
  void break_off();

  bool open() const { return condition_.open(); }
  bool take_compared() { return std::exchange(compared_, false); }  // since the last call

 private:
  struct Said {
    std::int64_t host_ns = 0;
    double rpm = 0;
    bool greatest = false;  // that the signal can say: it may stand for more
    bool in_sync = true;    // else it may be an old one
  };
  // The last twenty readings or so, averaged, while the speed of the cycles stays the same.
  struct Steady {
    double said_rpm = 0;
    double mean_rpm = 0;  // of the cycles
    double off_rpm() const { return said_rpm - mean_rpm; }
  };
  void compare(const Said& said, const WitnessPast& past, std::vector<Finding>& out);
  // Nothing where speed changes, or until there are enough.
  std::optional<Steady> steady_readings(const Said& said, std::int64_t back_ns, const WitnessLook& look);
  void tell(const Said& said, double witness_rpm, std::vector<Finding>& out);
  void add_ratio(const SpeedRatio::Found& found, Finding& finding) const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  FixedQueue<Said, 256> said_;
  Recent<64> cycles_{0, 0};
  double off_share_ = 0;                                  // of steady_readings, of the speed
  int readings_ = 0;                                      // in it
  std::int64_t compared_ns_ = -(std::int64_t{1} << 61U);  // what was compared last was said then
  HeldCondition condition_;
  SpeedRatio ratio_;
  std::optional<Finding> told_;
  bool ratio_told_ = false;
  bool compared_ = false;
};

}  // namespace cw
