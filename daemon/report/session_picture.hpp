// What the report draws of a whole session, gathered while the monitor runs over it: in the same memory, whether it lasted
// a minute or a week.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "compare/steady_cycles.hpp"
#include "geometry/engine.hpp"
#include "items/item.hpp"
#include "items/observation.hpp"
#include "report/binned_series.hpp"
#include "report/finding_list.hpp"

namespace cw {

// TDC deviation against speed: cycles of like speed together.
struct SpeedBin {
  static constexpr double rpm_per_bin = 50;
  ValueBin deviation_deg;
  double rpm_sum = 0;
  double squares = 0;  // of the deviations

  double rpm() const { return rpm_sum / static_cast<double>(deviation_deg.count); }
};

class SessionPicture final : public Observer {
 public:
  static constexpr std::size_t speed_bins_max = 600;  // to 30,000 rpm; what is faster is in the last

  // `engine` must outlive it.
  explicit SessionPicture(const Engine& engine);

  // The items of a batch, before the monitor gets them: they tie the clock of the crank's source to the session's. Best
  // in batches of 100 ms or less.
  void take_items(const ItemBatch& batch);
  void on_finding(const Finding& finding) override;
  void on_cycle(const Cycle& cycle) override;
  void on_second(const Second& second) override;
  void on_state(const StateChange& change) override;
  void on_wheel(const WheelShape& shape) override { wheel_ = shape; }
  void finish();  // call once, before reading

  std::int64_t length_ns() const { return last_host_ns_ - first_host_ns_.value_or(last_host_ns_); }
  std::optional<std::int64_t> first_host_ns() const { return first_host_ns_; }

  const FindingList& findings() const { return findings_; }
  const BinnedMarks& marks() const { return marks_; }
  const BinnedStates& states() const { return states_; }
  const BinnedSeries& rpm() const { return rpm_; }
  const BinnedSeries& tdc_deviation_deg() const { return tdc_; }
  const BinnedSeries& margin() const { return margin_; }
  const std::vector<BinnedSeries>& cam_phase_deg() const { return cams_; }
  const std::vector<SpeedBin>& deviation_by_speed() const { return by_speed_; }
  const SteadyCycles& steady() const { return steady_; }             // what offset and delay are fitted to
  const std::optional<WheelShape>& wheel() const { return wheel_; }  // the last told

  // The greatest uncertainty (95 %) of a TDC while running, and cranking.
  const ValueBin& uncertainty_running_deg() const { return uncertainty_running_; }
  const ValueBin& uncertainty_slow_deg() const { return uncertainty_slow_; }

  // What the ECU says on CAN, a value a second.
  const BinnedSeries& ecu_rpm() const { return ecu_rpm_; }
  const BinnedSeries& ecu_advance_deg() const { return ecu_advance_; }
  std::uint64_t seconds_agreed() const { return agreed_; }
  std::uint64_t seconds_disagreed() const { return disagreed_; }
  std::uint64_t seconds_ecu_heard() const { return ecu_heard_; }
  std::uint64_t seconds() const { return seconds_; }

  // Links and clocks.
  const BinnedSeries& clock_offset_ms() const { return clock_offset_; }
  const ValueBin& clock_skew_ppm() const { return clock_skew_; }
  const ValueBin& clock_uncertainty_ms() const { return clock_uncertainty_; }
  struct Loss {
    std::uint64_t times = 0;
    std::uint64_t lost = 0;     // where the count is known
    std::uint64_t unknown = 0;  // times where it is not
    std::int64_t first_ns = 0;  // session time
    std::int64_t last_ns = 0;
  };
  const std::map<std::pair<std::uint8_t, GapReason>, Loss>& losses() const { return losses_; }  // by source and reason
  std::uint64_t epochs() const { return epochs_; }  // times that a source's clock began afresh
  std::uint64_t disconnections() const { return disconnections_; }

 private:
  std::int64_t session_ns(std::int64_t host_ns) const { return host_ns - first_host_ns_.value_or(host_ns); }
  std::int64_t session_ns_of_source(std::int64_t source_ns) const {
    return session_ns(source_ns + host_less_source_ns_);
  }
  void take_note(const Item& item, const ItemBatch& batch);
  void take_gap(const Item& item, const ItemBatch& batch);

  const Engine& engine_;
  std::optional<std::int64_t> first_host_ns_;
  std::int64_t last_host_ns_ = 0;
  std::array<std::array<bool, 256>, 256> is_crank_{};  // by source and channel
  std::int64_t host_less_source_ns_ = 0;               // of the crank's source, at its newest edge
  FindingList findings_;
  BinnedMarks marks_;
  BinnedStates states_;
  LockState state_ = LockState::no_signal;
  std::int64_t state_since_ns_ = 0;
  BinnedSeries rpm_;
  BinnedSeries tdc_;
  BinnedSeries margin_;
  std::vector<BinnedSeries> cams_;
  std::vector<SpeedBin> by_speed_;
  SteadyCycles steady_;
  std::optional<WheelShape> wheel_;
  ValueBin uncertainty_running_;
  ValueBin uncertainty_slow_;
  BinnedSeries ecu_rpm_;
  BinnedSeries ecu_advance_;
  std::uint64_t agreed_ = 0;
  std::uint64_t disagreed_ = 0;
  std::uint64_t ecu_heard_ = 0;
  std::uint64_t seconds_ = 0;
  BinnedSeries clock_offset_;
  ValueBin clock_skew_;
  ValueBin clock_uncertainty_;
  std::map<std::pair<std::uint8_t, GapReason>, Loss> losses_;
  std::uint64_t epochs_ = 0;
  std::uint64_t disconnections_ = 0;
};

}  // namespace cw
