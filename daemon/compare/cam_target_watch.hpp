// A phaser against what the ECU asks of it: is the cam where it should be, and how fast does it get there? The target comes
// from outside (the ECU's broadcast); without one nothing is said.
//
// A target that has changed is waited for: `cam-off-target` opens when the phase is farther from it than `cam_target_deg` for
// `cam_target_s` after the target has stood still for that long, and closes when it has been within half of that (hysteresis)
// for as long. Each move of at least ten degrees is measured: delay from the new target to the first two degrees of motion,
// and the mean speed over the whole move. The first eight moves say what is usual here; four in a
// row that take twice as long and half a second more are told as late to the target (oil, valve).
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
    std::size_t cam = 0;  // index in Engine::cams
    std::int64_t t_ns = 0;
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
    std::int64_t off_ns = 0;           // off since; 0 = not
    std::int64_t near_ns = 0;          // near since; 0 = not
    double from_deg = 0;               // where it stood when the target changed
    std::optional<double> phase_deg;
    std::int64_t moved_ns = 0;  // 0 = has not moved yet
    bool moving = false;        // a move is being measured
    std::deque<CamMove> moves;
    double usual_s = 0;  // median duration for each degree, of the first moves
    int late = 0;        // moves in a row
    std::optional<Travel> travel;
    std::optional<Finding> open_off;
    std::optional<Finding> open_late;
  };
  void new_target(Cam& cam, const Reading& reading);
  void watch_move(Cam& cam, const Reading& reading, std::vector<Finding>& out);
  void add_move(Cam& cam, const CamMove& move, const Reading& reading, std::vector<Finding>& out);
  void watch_off(Cam& cam, const Reading& reading, std::vector<Finding>& out);
  Finding base(Circumstance circumstance, const Reading& reading) const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<Cam> cams_;
};

}  // namespace cw
