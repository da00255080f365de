// Cam angles that the ECU broadcasts, and the targets that it steers for, against where the cam's edges stand.
//
// A phase is known only when its cycle is over and the teeth of it are decided, the ECU says its own at once: so a value
// waits until the cam's edges of that time are known, and is held against all phases from before it to those.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "compare/attribution.hpp"
#include "compare/ecu_values.hpp"
#include "compare/fixed_queue.hpp"
#include "compare/held_condition.hpp"
#include "compare/recent.hpp"
#include "compare/witness_past.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

class EcuCamWatch {
 public:
  EcuCamWatch(const Engine& engine, std::uint64_t& next_id);

  // Where a cam stood over a cycle, deviation from park. `host_ns`: of the first edge that it was seen by.
  void note_phase(std::size_t cam, std::int64_t host_ns, double phase_deg);
  void tick(std::int64_t now_ns, const EcuValues& values, const WitnessPast& past, std::vector<Finding>& out);
  // The edges are broken off: phases before and after are not put together.
  void break_off();

  bool open() const;
  bool take_compared() { return std::exchange(compared_, false); }

 private:
  struct Said {
    std::int64_t host_ns = 0;
    double deg = 0;
  };
  static constexpr std::int64_t never_ns = -(std::int64_t{1} << 61U);
  struct Cam {
    double blind_step_deg = 0;
    Recent<64> phase_deg{0, 0};
    Recent<64> target_deg{50'000'000, 0.5};
    FixedQueue<Said, 64> said;          // angles that wait for their phases
    std::int64_t taken_ns = never_ns;   // of the last one
    std::int64_t judged_ns = never_ns;  // of the last that was compared
    HeldCondition angle;
    HeldCondition target;
    std::optional<Finding> told_angle;
    std::optional<Finding> told_target;
  };
  struct Reading {
    double said_deg = 0;
    ValueSpan seen_deg;
    double limit_deg = 0;
  };
  void compare_angles(std::size_t cam, double rpm, std::vector<Finding>& out);
  void compare_target(std::size_t cam, const EcuValues& values, std::int64_t now_ns, double rpm,
                      std::vector<Finding>& out);
  void judge_one(std::size_t cam, bool target, const Reading& reading, std::int64_t t_ns, double rpm,
                 std::vector<Finding>& out);
  std::int64_t back_ns(double rpm) const;
  std::int64_t stale_ns() const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<Cam> cams_;
  bool compared_ = false;
};

// The longest step between teeth in which an edge of that cam may stand, phaser travel and tolerance included.
double blind_step_deg(const Engine& engine, std::size_t cam);

// How far off an ECU may see a cam edge that stands in a step of so many degrees, since it has only the speed before the
// edge to go by: that changes over the step by speed_scatter_per_rad, at most speed_swing (sync/speed_model.hpp), one
// standard deviation.
double unseen_by_ecu_deg(double step_deg, double rpm);

}  // namespace cw
