// How a phaser answers what the ECU asks of it: how far it travels, how soon and how fast it moves. Whether it is where it
// should be is EcuCamWatch's. The target comes from outside (the ECU's broadcast); without one nothing is said.
//
// Each move of at least ten degrees, from a place where the cam stood at its old target, is measured: delay from the new
// target to the first two degrees of motion, and the time until it is within two degrees of the new one. The first eight
// moves say what is usual here; four in a row that take twice as long and half a second more are told as `cam-off-target`,
// late to its target (oil, valve); the next that does not closes it.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

#include "compare/attribution.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw {

// How a phaser answered one new target.
struct CamMove {
  double from_deg = 0;
  double to_deg = 0;          // the target
  double delay_s = 0;         // until it moved
  double duration_s = 0;      // until it was there
  double rate_deg_per_s = 0;  // mean over the move
};

class CamTargetWatch {
 public:
  CamTargetWatch(const Engine& engine, std::uint64_t& next_id);

  struct Reading {
    std::size_t cam = 0;               // index in Engine::cams
    std::int64_t t_ns = 0;             // host time, as that of what the ECU says
    double phase_deg = 0;              // from park, as Cycle::cam_phase_deg
    std::optional<double> target_deg;  // on the same scale; nothing = not known now
    double rpm = 0;
    std::uint64_t cycle = 0;
  };
  void take(const Reading& reading, std::vector<Finding>& out);
  // Nothing that was measured goes on across this.
  void break_off();

  // Moves measured so far of a cam, the latest 64.
  const std::deque<CamMove>& moves(std::size_t cam) const { return cams_[cam].moves; }
  // Least and greatest phase seen while a target was known; nothing before.
  struct Travel {
    double least_deg = 0;
    double greatest_deg = 0;
  };
  const std::optional<Travel>& travel(std::size_t cam) const { return cams_[cam].travel; }

 private:
  struct Cam {
    std::optional<double> target_deg;  // that stands
    std::int64_t target_ns = 0;        // since
    double from_deg = 0;               // where it stood when the target changed
    std::optional<double> phase_deg;
    std::int64_t moved_ns = 0;  // 0 = has not moved yet
    bool moving = false;        // a move is being measured
    std::deque<CamMove> moves;
    double usual_s = 0;  // median duration for each degree, of the first moves
    int late = 0;        // moves in a row
    std::optional<Travel> travel;
    std::optional<Finding> open_late;
  };
  void new_target(Cam& cam, const Reading& reading);
  void watch_move(Cam& cam, const Reading& reading, std::vector<Finding>& out);
  void add_move(Cam& cam, const CamMove& move, const Reading& reading, std::vector<Finding>& out);
  Finding late_finding(const Reading& reading) const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<Cam> cams_;
};

}  // namespace cw
