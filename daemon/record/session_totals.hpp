// What a session comes to: counts, times in each state, worst findings. Feeds summary.json and the last lines on the
// terminal.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "compare/offset_fit.hpp"
#include "compare/steady_cycles.hpp"
#include "geometry/engine.hpp"
#include "items/item.hpp"
#include "items/observation.hpp"
#include "record/wall_time.hpp"
#include "signals/bus_map.hpp"

namespace cw {

// Mean and standard deviation in one pass (Welford 1962), with the extremes.
class RunningMean {
 public:
  void add(double value);
  std::uint64_t count() const { return count_; }
  double mean() const { return mean_; }
  double deviation() const;  // of one value; 0 for fewer than two
  double least() const { return least_; }
  double greatest() const { return greatest_; }

 private:
  std::uint64_t count_ = 0;
  double mean_ = 0;
  double squares_ = 0;
  double least_ = 0;
  double greatest_ = 0;
};

class SessionTotals final : public Observer {
 public:
  static constexpr std::size_t worst_max = 10;
  static constexpr std::size_t lock_states = 5;
  static constexpr std::size_t channels_max = 1000;  // a device that renames its channels for ever fills no memory

  // What is known of what the ECU says, in seconds that ended.
  struct EcuSeconds {
    std::uint64_t heard = 0;      // speed, state or advance was said
    std::uint64_t compared = 0;   // ... and something of it held against what the witness sees
    std::uint64_t disagreed = 0;  // ... with another outcome
  };

  // `engine` must outlive it; `maps` say what is listened for on CAN, and are not kept.
  explicit SessionTotals(const Engine& engine, const std::vector<BusMap>& maps = {});

  void take_items(const ItemBatch& batch);
  void on_finding(const Finding& finding) override;
  void on_cycle(const Cycle& cycle) override;
  void on_second(const Second& second) override;
  void on_state(const StateChange& change) override;
  void on_wheel(const WheelShape& shape) override { wheel_ = shape; }
  void on_clock(const ClockFit& fit) override { clocks_.push_back(fit); }
  void finish();  // call once, before reading

  struct KindCount {
    std::uint64_t findings = 0;  // `close` lines are not counted again
    Severity worst = Severity::info;
  };
  const std::map<FindingKind, KindCount>& kinds() const { return kinds_; }
  std::uint64_t findings(Severity severity) const { return by_severity_.at(static_cast<std::size_t>(severity)); }
  const std::vector<Finding>& worst() const { return worst_; }  // gravest first, then in order of time
  std::int64_t state_ns(LockState state) const { return state_ns_.at(static_cast<std::size_t>(state)); }
  std::uint64_t cycles() const { return cycles_; }
  std::uint64_t items() const { return items_; }
  std::uint64_t edges() const { return edges_; }
  std::uint64_t can_frames() const { return can_frames_; }
  // The sequence number after that of the last item: a reader of the session that finds fewer knows that its end is
  // missing.
  std::uint64_t next_sequence() const { return next_sequence_; }
  std::uint64_t gaps() const { return gaps_; }  // gap items: input that was lost
  std::optional<std::int64_t> first_host_ns() const { return first_host_ns_; }
  std::optional<std::int64_t> last_host_ns() const { return last_host_ns_; }
  std::optional<std::int64_t> first_edge_ns() const { return first_edge_ns_; }
  std::optional<std::int64_t> last_edge_ns() const { return last_edge_ns_; }
  std::int64_t span_ns() const;  // host time from the first item to the last
  const RunningMean& tdc_deviation_deg() const { return tdc_deviation_deg_; }  // of cycles in cycle-lock
  const std::vector<RunningMean>& cam_phase_deg() const { return cam_phase_deg_; }
  const std::optional<WheelShape>& wheel() const { return wheel_; }  // the latest; nothing before it is known
  const RunningMean& sync_margin() const { return sync_margin_; }
  // Angle and delay of the ECU's mark, from all steady running; that of finish().
  const OffsetFit& offset_fit() const { return offset_fit_; }
  const std::vector<std::string>& channels() const { return channels_; }  // named in the input, in order; channels_max

  bool listens_to_ecu() const { return !ecu_gives_.empty(); }  // there is a signal map
  const EcuSeconds& ecu_seconds() const { return ecu_seconds_; }
  const std::vector<ClockFit>& clocks() const { return clocks_; }  // of sources whose clock was fitted

  // What this engine file and this input leave unwatched, in words, for example "cam phase (no cam in the engine
  // file)".
  std::vector<std::string> not_watched() const;

 private:
  bool has_channel(const std::string& name) const;
  bool ecu_gives(SignalName name) const;
  void add_ecu_not_watched(std::vector<std::string>& list) const;
  void take_notes(const Item& item, const ItemBatch& batch);

  const Engine& engine_;
  std::vector<SignalName> ecu_gives_;  // by the maps
  EcuSeconds ecu_seconds_;
  std::map<FindingKind, KindCount> kinds_;
  std::array<std::uint64_t, 3> by_severity_{};
  std::vector<Finding> worst_;
  std::array<std::int64_t, lock_states> state_ns_{};
  LockState state_ = LockState::no_signal;
  std::int64_t state_since_ns_ = 0;
  std::uint64_t cycles_ = 0;
  std::uint64_t items_ = 0;
  std::uint64_t edges_ = 0;
  std::uint64_t can_frames_ = 0;
  std::uint64_t next_sequence_ = 0;
  std::uint64_t gaps_ = 0;
  std::optional<std::int64_t> first_host_ns_;
  std::optional<std::int64_t> last_host_ns_;
  std::optional<std::int64_t> first_edge_ns_;
  std::optional<std::int64_t> last_edge_ns_;
  RunningMean tdc_deviation_deg_;
  std::vector<RunningMean> cam_phase_deg_;
  RunningMean sync_margin_;
  SteadyCycles steady_;
  OffsetFit offset_fit_;
  std::vector<std::string> channels_;
  std::optional<WheelShape> wheel_;
  std::vector<ClockFit> clocks_;
};

// Whether there is a finding at least as grave as `limit`; never when there is no limit.
bool fails(const SessionTotals& totals, const std::optional<Severity>& limit);

// What the recording of a session says about itself.
struct RecordingState {
  std::uint64_t lost_items = 0;  // seen live, not in the capture
  std::string stopped_by;        // "end of input", "signal", ...
};

// summary.json, with a last LF. `anchor` adds wall times.
std::string summary_json(const SessionTotals& totals, const Engine& engine, const std::optional<WallAnchor>& anchor,
                         const RecordingState& recording);

}  // namespace cw
