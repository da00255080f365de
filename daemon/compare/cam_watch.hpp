// Cam phase cycle by cycle: missing and odd edges, a dead signal, steps of the drive told in teeth, phase outside what
// the engine file allows.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

#include "compare/attribution.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

class CamWatch {
 public:
  CamWatch(const Engine& engine, std::uint64_t& next_id);

  void take(const CamCycleEvent& event, std::vector<Finding>& out);

  // The crank wheel seems to have slipped, or the lock was lost, at that time: a step of the cams found later that may
  // have been then is placed there.
  void note_disturbance(std::int64_t t_ns) { disturbance_ns_ = t_ns; }

  // The lock was lost: phases before and after are not put together across it, levels stay known.
  void break_off(std::vector<Finding>& out);
  void finish(std::vector<Finding>& out) { break_off(out); }

  // Latest phase of each cam, in the order of the engine file; absent until known and after break_off().
  std::vector<std::optional<double>> phases() const;

  // By how much the steps told so far have moved this cam.
  double moved_deg(std::size_t cam) const { return cams_[cam].moved_deg; }

  // Whether any cam has moved by more than its limit in the cycles still watched.
  bool steady() const;

 private:
  struct Step {
    std::size_t cam = 0;
    double change_deg = 0;
    double from_deg = 0;
    std::int64_t start_ns = 0;
    std::int64_t end_ns = 0;
    std::uint64_t cycle = 0;
    double rpm = 0;
  };
  struct Phase {
    double deg = 0;
    double uncertainty_deg = 0;
  };
  struct Cam {
    std::deque<CamCycleEvent> recent;  // newest last; the oldest is judged for odd edges when it leaves
    std::vector<Phase> level;          // of undisturbed cycles before `recent`, newest last
    std::int64_t level_edge_ns = 0;    // last edge of the last of them
    std::optional<double> phase_deg;
    std::optional<Finding> open_dead;
    std::optional<Finding> open_deviation;
    int outside_cycles = 0;
    int inside_cycles = 0;
    int silent_cycles = 0;
    std::int64_t last_edge_ns = 0;
    double moved_deg = 0;  // by the steps reported so far: its travel lies there now
    bool stepped = false;  // a step was reported: the deviation it leaves is known
  };

  void add_to_level(Cam& cam, const CamCycleEvent& event);
  void watch_dead(Cam& cam, const CamCycleEvent& event, std::vector<Finding>& out);
  bool may_have_stepped(const Cam& cam) const;
  std::optional<Step> find_step(const Cam& cam) const;
  void report_steps(std::vector<Finding>& out);
  void report_step(const Step& step, Circumstance circumstance, std::vector<Finding>& out);
  void judge_edges(const Cam& cam, const CamCycleEvent& event, std::vector<Finding>& out);
  void watch_deviation(Cam& cam, const CamCycleEvent& event, std::vector<Finding>& out);
  Finding base(FindingKind kind, Circumstance circumstance, const CamCycleEvent& event) const;
  double teeth_of(std::size_t cam, double change_deg) const;
  bool whole_teeth(std::size_t cam, double change_deg) const;
  double step_limit_deg(const Cam& cam, std::size_t index) const;
  static std::vector<double> level_deg(const Cam& cam);

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<Cam> cams_;
  std::int64_t disturbance_ns_ = 0;
  std::vector<Step> steps_;  // found, waiting whether the other cams did the same
};

}  // namespace cw
