// Each cam's parked phase against its own past: small steps (those of whole teeth are CamWatch's), slow drift, all cams
// together, and two cams that should move together drifting apart.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

#include "compare/change_finding.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

// What else is known of the engine; nothing where it is not. From what the ECU says.
struct CamConditions {
  std::optional<double> engine_temperature_c;     // coolant or oil
  std::vector<std::optional<double>> target_deg;  // of each cam of the engine file: where the ECU wants it, from park
};

// Of a cam with a phaser only parked cycles count. With a target known: those with the target at park. Without, those near
// the parked level, and only a change that leads out of the phaser's travel is told: within it the ECU may have moved the
// cam on purpose.
//
// Warmth moves cams by a degree or two. For `warm_up_s` after a start (or until the engine is known to be warm) only
// `cam_warm_up_deg` counts; the level is learned anew when the engine has become warm the first time.
class CamChangeWatch {
 public:
  CamChangeWatch(const Engine& engine, std::uint64_t& next_id);

  // `moved_deg`: what CamWatch has told of this cam so far.
  void take(const CamCycleEvent& event, double moved_deg, const CamConditions& conditions, std::vector<Finding>& out);
  void break_off();
  // The angles are measured otherwise from now on.
  void learn_anew();
  // Nothing more comes: tells what waits.
  void finish(std::vector<Finding>& out);

 private:
  struct Waiting {
    ChangeDetector::Reading reading;
    std::uint64_t cycle = 0;
  };
  struct Cam {
    explicit Cam(const ChangeLimits& limits) : detector(limits) {}
    ChangeDetector detector;
    OpenChanges open;
    std::deque<Waiting> waiting;  // until it is sure that CamWatch tells no step of these cycles
    double moved_deg = 0;
    std::optional<double> park_deg;  // near it a phaser is parked; of the latest parked cycles
  };
  struct Pair {
    std::size_t first = 0;
    std::size_t second = 0;
    ChangeDetector detector;
    OpenChanges open;
    std::optional<double> first_deg;  // of `cycle`
    std::optional<double> second_deg;
    std::uint64_t cycle = 0;
  };

  void watch_warmth(const CamCycleEvent& event, const CamConditions& conditions);
  bool parked(const Cam& cam, const CamCycleEvent& event, const CamConditions& conditions) const;
  void take_pair(const CamCycleEvent& event, std::vector<Finding>& out);
  void feed(std::size_t index, const Waiting& waiting, const CamConditions& conditions, std::vector<Finding>& out);
  // A change waits for some time whether the other cams do the same.
  struct Pending {
    std::size_t cam = 0;
    Change change;
    std::uint64_t cycle = 0;
    std::int64_t until_ns = 0;
  };
  bool within_travel(std::size_t index, const Change& change, const CamConditions& conditions) const;
  void settle(std::int64_t now_ns, std::vector<Finding>& out);
  bool all_changed(const Pending& pending) const;
  bool goes_with_all(const Pending& pending) const;
  void tell(const Pending& pending, bool all, std::vector<Finding>& out);
  std::size_t watched() const;

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<Cam> cams_;
  std::vector<Pair> pairs_;
  std::vector<Pending> pending_;
  // A drift of all cams that is open, by the cam and the number that told it.
  struct Shared {
    std::size_t cam = 0;
    Change change;
  };
  std::optional<Shared> shared_;
  std::int64_t start_ns_ = 0;  // of this run of the engine
  std::int64_t last_ns_ = 0;
  bool running_ = false;
  bool warm_ = false;
  bool was_warm_ = false;
};

}  // namespace cw
