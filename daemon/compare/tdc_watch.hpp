// The ECU's mark against the witness's TDC: deviation of each reference pulse, its robust mean over the last cycles,
// and the finding when it leaves its limits.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

#include "compare/tdc_change_watch.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "sync/sync.hpp"

namespace cw {

class TdcWatch {
 public:
  TdcWatch(const Engine& engine, std::uint64_t& next_id)
      : engine_(engine), next_id_(next_id), changes_(engine, next_id) {}

  // `cams_steady`: no cam has moved against the teeth meanwhile.
  // With advance_from only that there is a pulse.
  void take(const ReferenceEvent& event, bool cams_steady, std::vector<Finding>& out);
  // With the advance of that pulse, where the ECU says it (advance_from); pulses in order.
  void take(const ReferenceEvent& event, double advance_deg, bool cams_steady, std::vector<Finding>& out);
  void take(const CycleEvent& event, std::vector<Finding>& out);
  void break_off();
  // The angles are measured otherwise from now on: what changes are held against is learned anew.
  void learn_anew() { changes_.learn_anew(); }

  // Of the pulse nearest after the last cycle event: positive = the pulse comes late. Taken once.
  std::optional<double> take_last_deviation();

  // Deviations since the last call, for the row of a second.
  std::vector<double> take_second();

 private:
  struct Reading {
    double deviation_deg = 0;
    double uncertainty_deg = 0;
  };
  double deviation_deg(const ReferenceEvent& event, double advance_deg) const;
  bool all_within() const;
  double usual_uncertainty_deg() const;
  bool beyond(double limit_deg, double deviation_deg) const;
  void open_or_raise(double mean_deg, double spread_deg, const ReferenceEvent& event, bool cams_steady,
                     std::vector<Finding>& out);
  void close(const ReferenceEvent& event, double mean_deg, std::vector<Finding>& out);

  const Engine& engine_;
  std::uint64_t& next_id_;
  TdcChangeWatch changes_;
  std::deque<Reading> window_;
  std::vector<double> second_;
  std::optional<double> last_deg_;
  std::optional<Finding> open_;
  std::optional<Finding> open_missing_;
  std::int64_t last_pulse_ns_ = 0;
  int pulses_seen_ = 0;
  int cycles_without_ = 0;
  std::int64_t over_since_ns_ = 0;
};

}  // namespace cw
