// What flows out of the core: findings, cycles, seconds and state changes, and the interface that receives them.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace cw {

// Lock states, DESIGN 2.
enum class LockState : std::uint8_t {
  no_signal,          // nothing for max(1 s, 4 expected intervals)
  searching,          // edges come, position not known
  revolution_locked,  // position known within 360 degrees
  cycle_locked,       // position known within the engine cycle
  lost,               // was locked, evidence contradicts it
};
std::string_view to_string(LockState state);
// Whether a position is known, in the cycle or in the revolution.
bool is_lock(LockState state);

enum class FindingKind : std::uint8_t {
  sync_lost,
  sync_regained,
  extra_edge,
  missed_edge,
  noise_burst,
  crank_signal_stopped,
  engine_stopped,
  cam_edge_missing,
  cam_extra_edge,
  cam_signal_dead,
  cam_deviation,
  cam_step,
  crank_wheel_step,
  tdc_deviation,
  margin_low,
  wrong_engine_file,
  wrong_edge_or_polarity,
  damaged_tooth,
  reference_missing,
  edges_dropped,
  link_lost,
  frames_dropped,         // as edges_dropped, of CAN frames
  bus_trouble,            // what an interface says of its CAN bus and of itself
  crank_wheel_drift,      // all cams walk off alike and slowly: what they share is the crank wheel or its drive
  tdc_step,               // the ECU's mark moved at once, and stayed
  tdc_drift,              // ... slowly
  offset_and_delay,       // the deviation fits an angle and a delay that are not zero
  wheel_run_out,          // the wheel stands off centre: a pitch error once a turn
  cam_drift,              // one cam's park walks off slowly: belt or chain stretch
  cam_off_target,         // a phaser does not follow what the ECU asks for
  differs_from_baseline,  // not as in the saved session
  ecu_speed_disagrees,
  ecu_sync_disagrees,
  ecu_advance_disagrees,
  ecu_cam_disagrees,
  ecu_offset_changed,  // the trigger offset that the ECU broadcasts changed at run time
  ecu_sync_changed,    // the ECU gained or gave up sync at a start or stop
  ecu_lost_sync,       // ... and so did the witness, or the signal was odd: both saw it
  ecu_lost_sync_on_clean_signal,
  ecu_missed_fault,  // the witness saw a fault that should have cost the ECU its sync, and it said nothing
  ecu_restarted,
  ecu_silent,  // its broadcast stopped, or comes late
  clock_trouble,
};
std::string_view to_string(FindingKind kind);  // the spelling used in files, for example "missed-edge"

enum class Severity : std::uint8_t { info, warning, fault };
std::string_view to_string(Severity severity);

// `open` and `close` frame a condition that lasts; `single` is something that happened at one time.
enum class FindingPhase : std::uint8_t { open, close, single };
std::string_view to_string(FindingPhase phase);

// Who or what is behind a finding, as far as the evidence supports it.
enum class Attribution : std::uint8_t {
  none,  // not a fault (for example sync-regained)
  sensor_or_wiring,
  wheel,
  cam_drive,
  ecu,
  capture_link,
  undecided,
};
std::string_view to_string(Attribution attribution);

// One finding. Absent optionals mean "not applicable or not known". Times in ns on the clock named by `clock`.
struct Finding {
  std::uint64_t id = 0;  // `open` and `close` of one condition share it
  FindingPhase phase = FindingPhase::single;
  FindingKind kind = FindingKind::sync_lost;
  Severity severity = Severity::info;
  std::string_view clock = "source";  // "source" | "host"
  std::int64_t start_ns = 0;
  std::int64_t end_ns = 0;
  std::int64_t session_ns = 0;         // host time of the deciding item, from the first item of the session
  std::optional<std::uint64_t> cycle;  // engine cycles counted since the first cycle-lock of the session, from 0
  std::optional<double> angle_deg;     // crank angle, 0 to 720
  std::string channel;                 // role or cam name: "crank", "intake"; empty = not applicable
  std::optional<int> tooth;            // number from the reference tooth, 1 upward, missing positions counted
  std::optional<double> rpm;
  std::vector<std::pair<std::string, double>> values;  // name with its unit last, for example "deviation_deg"
  Attribution attribution = Attribution::undecided;
  std::string reason;  // one sentence, plain words
  std::vector<std::string> next_checks;
  std::string code;                  // SAE J2012 code where one fits, for example "P0336"; empty = none
  std::string title;                 // and its title
  std::uint64_t evidence_first = 0;  // sequence numbers of the items around it, both inclusive
  std::uint64_t evidence_last = 0;
  std::uint32_t count = 1;  // more than 1: so many alike, coalesced
};
// The `close` of a condition that `opened` opened and that ended at `end_ns`, with the same id and words.
Finding closed(const Finding& opened, std::int64_t end_ns);

// One engine cycle, reported when TDC1 is known (a few teeth after it).
struct Cycle {
  std::uint64_t number = 0;    // as Finding::cycle
  std::int64_t tdc_ns = 0;     // TDC1 (any TDC1-or-360 when only revolution-locked), source time
  double rpm = 0;              // mean over the cycle that ended with this TDC; over a revolution if first
  double uncertainty_deg = 0;  // 95 % half width, relative to the wheel
  std::optional<double> reference_deviation_deg;  // positive = reference pulse comes after the expected angle
  // Of that pulse: the speed between the teeth about it, which is not that of the cycle where speed ripples, and what of its
  // angle the teeth leave open, 95 % half width.
  std::optional<double> reference_rpm;
  std::optional<double> reference_uncertainty_deg;
  LockState state = LockState::searching;
  std::optional<double> sync_margin;  // 0 = gap and tooth at the limit of confusion, 1 = ideal
  std::vector<std::optional<double>>
      cam_phase_deg;  // per cam of the engine file: mean deviation of its edges from park
};

// One row of trend.csv: a second of session time.
struct Second {
  std::int64_t session_ns = 0;  // end of the second, host time from the first item
  std::int64_t source_ns = 0;   // latest edge seen
  LockState state = LockState::no_signal;
  std::uint32_t cycles = 0;  // completed in this second
  std::uint32_t crank_edges = 0;
  std::uint32_t extra_edges = 0;
  std::uint32_t missed_edges = 0;
  std::uint32_t lost_items = 0;  // from gap items
  std::optional<double> rpm;
  std::optional<double> sync_margin;               // least of the second
  std::optional<double> tdc_deviation_deg;         // robust mean of the second, measured - expected
  std::optional<double> tdc_deviation_spread_deg;  // robust standard deviation of one reading
  std::optional<double> tdc_uncertainty_deg;       // greatest of the second
  std::vector<std::optional<double>> cam_phase_deg;
  // What the ECU says, latest value that is not stale. Absent: not said, not known, or stale.
  std::optional<double> ecu_rpm;
  std::optional<LockState> ecu_state;
  std::optional<double> ecu_advance_deg;
  std::optional<bool> ecu_agrees;  // false: at least one comparison disagrees; absent: nothing could be compared
  // The timing source's clock against the host's, where it is fitted: host - source at the end of the second.
  std::optional<double> clock_offset_ms;
  std::optional<double> clock_skew_ppm;        // positive = the source's clock runs slow
  std::optional<double> clock_uncertainty_ms;  // of the offset; the least delay that can't be seen included
};

// The wheel as learned by averaging turns, against the engine file.
struct ToothShape {
  int tooth = 0;               // number from the reference tooth, 1 upward, missing positions counted
  double error_deg = 0;        // where it stands less where the file puts it, positive = late; mean 0 over the wheel
  double uncertainty_deg = 0;  // of error_deg, 95 % half width
  double scatter_deg = 0;      // robust standard deviation from turn to turn
  std::optional<double> duty;  // share of the step to the next tooth until the other edge, where both are captured
};
struct WheelShape {
  std::uint64_t turns = 0;  // that were averaged
  double rpm_least = 0;     // speeds that these turns had
  double rpm_greatest = 0;
  std::vector<ToothShape> teeth;
  double run_out_deg = 0;  // first order: run_out_deg * cos(angle from the reference tooth - run_out_phase_deg)
  double run_out_phase_deg = 0;
  std::vector<int> masked_orders;  // waves a turn that the engine's firing hides: not observable, left out
};

// The clock of one source against the host's, as it was fitted at the end of the session (clocks/source_clock.hpp).
struct ClockFit {
  int source = 0;
  double offset_ms = 0;       // host - source, of the newest item
  double skew_ppm = 0;        // positive = the source's clock runs slow
  double uncertainty_ms = 0;  // of the offset, 95 % half width, the least delay's part included
  std::uint32_t steps = 0;    // how often the fit began anew since the clock had stepped
};

struct StateChange {
  LockState from = LockState::no_signal;
  LockState to = LockState::no_signal;
  std::int64_t source_ns = 0;
  std::int64_t session_ns = 0;
};

// Receives what the monitor says, in order. Never called once an edge.
class Observer {
 public:
  Observer() = default;
  Observer(const Observer&) = delete;
  Observer& operator=(const Observer&) = delete;
  virtual ~Observer() = default;
  virtual void on_finding(const Finding& finding) = 0;
  virtual void on_cycle(const Cycle& cycle) = 0;
  virtual void on_second(const Second& second) = 0;
  virtual void on_state(const StateChange& change) = 0;
  // Once a minute of running, and at the end, when enough turns were averaged.
  virtual void on_wheel(const WheelShape& /*shape*/) {}
  // At the end, once for each source whose clock was fitted, in the order of their numbers.
  virtual void on_clock(const ClockFit& /*fit*/) {}
};

}  // namespace cw
