// Odd crank edges, lost and regained sync, silence: from what sync/ reports to findings.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

class FaultWatch {
 public:
  // `next_id` counts the findings of all watches.
  FaultWatch(const Engine& engine, std::uint64_t& next_id) : engine_(engine), next_id_(next_id) {}

  void take(const ToothEvent& event, std::vector<Finding>& out);
  void take(const LockEvent& event, std::vector<Finding>& out);
  void take(const SilenceEvent& event, std::vector<Finding>& out);

  // The ECU goes on with the engine: a crank signal that stopped did so on our side of the tap. Told again, with the same
  // id, once.
  void ecu_turns_alone(std::vector<Finding>& out);

  // Reports a train of odd edges that has had no successor until `now_ns`.
  void settle(std::int64_t now_ns, std::vector<Finding>& out);
  // Reports what is held back; the input has ended or was broken off.
  void finish(std::vector<Finding>& out);

 private:
  void report_train(std::vector<Finding>& out);
  Finding tooth_finding(const ToothEvent& event, bool in_a_row) const;
  Finding burst_finding() const;
  template <typename Event>
  void place(const Event& event, Finding& finding) const;  // of a ToothEvent or a LockEvent
  Finding loss_finding(const LockEvent& event) const;
  void report_loss(std::vector<Finding>& out);
  void report_regained(const LockEvent& event, std::vector<Finding>& out);
  void report_jump(const ToothEvent& event, std::vector<Finding>& out);

  const Engine& engine_;
  std::uint64_t& next_id_;
  std::vector<ToothEvent> train_;     // odd edges near each other, not yet reported
  std::optional<Finding> slow_loss_;  // waits whether the engine stops
  std::optional<Finding> open_sync_lost_;
  LockState lost_from_ = LockState::cycle_locked;
  std::optional<Finding> open_crank_stopped_;
  bool stopped_at_tap_ = false;  // told of it
};

}  // namespace cw
