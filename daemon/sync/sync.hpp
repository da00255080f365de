// Crank, cam and reference edges in; lock state, engine position, TDC times and located edges out. Knows time only as
// the source's ticks; silence is told by the caller.
#pragma once

#include <cstdint>
#include <deque>
#include <limits>
#include <optional>
#include <span>
#include <variant>
#include <vector>

#include "geometry/engine.hpp"
#include "geometry/tooth_cycle.hpp"
#include "items/observation.hpp"
#include "sync/cam_jump.hpp"
#include "sync/cam_match.hpp"
#include "sync/cam_pattern_watch.hpp"
#include "sync/cam_period.hpp"
#include "sync/crank_tracker.hpp"
#include "sync/edge_timing.hpp"
#include "sync/shaft_check.hpp"
#include "sync/strict_counter.hpp"
#include "sync/tdc_estimator.hpp"
#include "sync/wheel_watch.hpp"

namespace cw {

struct LockEvent {
  LockState from = LockState::no_signal;
  LockState to = LockState::no_signal;
  std::int64_t t_ns = 0;
  LossReason reason = LossReason::none;  // why it went down
  std::optional<double> angle_deg;       // last known crank angle
  std::optional<int> tooth;              // last known tooth number
  std::optional<double> rpm;             // last known
  std::uint64_t cycle = 0;               // as CycleEvent::number
};

struct ToothEvent {
  ToothFault kind = ToothFault::extra;
  std::int64_t t_ns = 0;
  double angle_deg = 0;  // crank angle, [0, cycle); modulo a turn when only revolution-locked
  int tooth = 0;         // the missed tooth's number; for an extra edge, of the last tooth before it
  double rpm = 0;
  std::uint64_t cycle = 0;  // engine cycle it was in, as CycleEvent::number
  double jump_deg = 0;      // of a jump: by how much the interval was too long
  LockState state = LockState::searching;
  // Whether a strict counter lost sync within a turn after it; absent when there is none or it was out already.
  std::optional<bool> strict_counter_lost;
};

struct CycleEvent {
  std::uint64_t number = 0;
  std::int64_t tdc_ns = 0;
  double rpm = 0;
  double ns_per_deg = 0;
  double uncertainty_deg = 0;  // 95 %
  std::optional<double> sync_margin;
  LockState state = LockState::searching;
};

struct CamCycleEvent {
  std::size_t cam = 0;  // index in Engine::cams
  std::uint64_t cycle = 0;
  CamMatch match;  // angles modulo the cycle are crank angles
  AngleSpan span;
  std::int64_t first_edge_ns = 0;  // of any edge in it; 0 when there was none
  std::int64_t last_edge_ns = 0;
  std::int64_t now_ns = 0;  // time of a tooth at or after the end of the span,
  double now_deg = 0;       // and where on the scale of the span it stands
  double rpm = 0;
};

struct ReferenceEvent {
  std::int64_t t_ns = 0;
  double angle_deg = 0;  // crank angle of the pulse, [0, cycle)
  double uncertainty_deg = 0;
  double rpm = 0;
  std::uint64_t cycle = 0;
  LockState state = LockState::searching;
  double local_rpm = 0;  // from the tooth before the pulse to the one after it
};

enum class SilenceKind : std::uint8_t { engine_stopped, crank_signal_stopped };
struct SilenceEvent {
  SilenceKind kind = SilenceKind::engine_stopped;
  std::int64_t last_edge_ns = 0;
  std::int64_t noticed_ns = 0;  // source time of what gave it away, or last_edge_ns
  double last_rpm = 0;
  int cam_edges_since = 0;
};

// What the wheel is seen to be has changed.
struct WheelEvent {
  WheelOpinion opinion;
};

// What a cam's edges are seen to be has changed.
struct CamPatternEvent {
  CamPatternOpinion opinion;
  std::optional<double>
      angles_modulo_deg;  // its angles are crank angles modulo this; absent: only their differences tell
};

// When each tooth of two cycles came, one after another without a fault among them, and the first of the next cycle. At
// most one a second, and only while it is known which tooth is which.
inline constexpr float unknown_duty = -1;
struct ToothTimesEvent {
  std::vector<std::int64_t> t_ns;
  std::size_t first = 0;    // the first tooth, as index of ToothCycle::teeth
  std::vector<float> duty;  // of each but the last: share of the step until the other edge, unknown_duty without one;
                            // empty when other edges are not captured
  std::uint64_t cycle = 0;
  LockState state = LockState::searching;
};

using SyncEvent = std::variant<LockEvent, ToothEvent, CycleEvent, CamCycleEvent, ReferenceEvent, SilenceEvent,
                               WheelEvent, CamPatternEvent, ToothTimesEvent>;

// How much of the crank position is known beyond what the wheel alone repeats.
enum class PlaceKnown : std::uint8_t { none, turn, cycle };

class Sync {
 public:
  // `engine` must outlive this object.
  explicit Sync(const Engine& engine);

  // Edges in time order over all channels, known delays already subtracted. Only active edges of the crank.
  void crank_edge(std::int64_t t_ns) {
    strict_.edge(t_ns);
    if (wheel_.edge(t_ns)) {
      look_at_wheel();
    }
    before_newest_ns_ = newest_ns();
    if (cycle_.repeat_teeth == 1 && known_ != PlaceKnown::cycle) {
      jump_.crank_edge(t_ns);
    }
    const CrankEvent event = tracker_.edge(t_ns);
    if (event != CrankEvent::none || cams_since_crank_ != 0 || state_ == LockState::no_signal) {
      handle(event, t_ns);
    }
    while (walked_ < tracker_.final_marks()) {
      walk();
    }
    tracker_.note_used(walked_);
  }
  // So many crank edges in a row, if each is the next tooth, are counted and no event comes of them.
  std::size_t edges_until_due() const;
  // A cam's edge among such edges of the crank: after so many of them, at least one, and before another.
  struct CamAmong {
    std::size_t after = 0;
    std::size_t cam = 0;
    ActiveEdge edge = ActiveEdge::falling;
    std::int64_t t_ns = 0;  // not before the edge before it nor after the edge after it
  };
  // Whether this cam's edges may be given with them.
  bool takes_among(std::size_t cam) const {
    return known_ == PlaceKnown::cycle && no_step_is_silence_ && !cam_patterns_.watches(cam);
  }
  // As crank_edge() for each of these, at most so many, and cam_edge() between them; stops at the first that is not plainly
  // the next tooth. How many crank edges were taken, and with them the cams' before the last of these. No event ever comes
  // of it.
  std::size_t plain_crank_edges(std::span<const std::int64_t> t_ns, std::span<const CamAmong> cams);
  void cam_edge(std::size_t cam, ActiveEdge edge, std::int64_t t_ns);
  void reference_edge(std::int64_t t_ns);
  // An edge of the crank channel that is not active: only the look at the wheel cares, and the teeth's duty.
  void crank_other_edge(std::int64_t t_ns) {
    wheel_.other_edge(t_ns);
    other_ns_[other_count_++ & (other_ns_.size() - 1)] = t_ns;
  }

  // An edge of a cam's channel of the polarity that the file does not list: only the look at the cam's pattern cares.
  void cam_other_edge(std::size_t cam, ActiveEdge edge, std::int64_t t_ns) {
    if (cam_patterns_.watches(cam) && tracker_.locked()) {
      add_pending({t_ns, cam, edge, false, tracker_.marks_end()});
    }
  }

  // By how much each tooth of the wheel stands late of where the file puts it, as learned; angles and TDC are corrected for it
  // from the next one on. Empty (or of another number of teeth) = as the file says.
  // `hidden_deg`: what that leaves open at the TDC, 95 %.
  void correct_wheel(const std::vector<double>& error_deg, double hidden_deg);

  // `silent_ns`: host time since the last crank edge arrived. Call on every tick.
  void tick(std::int64_t silent_ns);

  // Input was lost, or the source began a new epoch: everything known is given up.
  void break_off(LossReason reason);

  // No more edges come: reports what was held back.
  void finish();

  // What the calls since clear_events() found out, in order.
  const std::vector<SyncEvent>& events() const { return events_; }
  void clear_events() { events_.clear(); }

  // The teeth decided so far, for whoever draws them. Of the lock that holds, or of the last: indices
  // [teeth_from(), teeth_to()), which only grow. Older ones are overwritten, so ask after each edge.
  std::uint64_t teeth_from() const { return segment_start_; }
  std::uint64_t teeth_to() const { return walked_; }
  const CrankMark& passed_tooth(std::uint64_t index) const { return tracker_.mark(index); }
  // So many repeats of the wheel's pattern a mark's tooth stands further on in the cycle. Known in a lock only.
  int place() const { return place_; }

  LockState state() const { return state_; }
  std::int64_t newest_ns() const { return tracker_.edges() > 0 ? tracker_.newest_ns() : 0; }
  std::optional<double> rpm() const;

 private:
  struct Pending {
    std::int64_t t_ns = 0;
    std::size_t channel = 0;  // cam index, or reference_channel
    ActiveEdge edge = ActiveEdge::falling;
    bool listed = true;           // in the file, by its polarity
    std::uint64_t next_mark = 0;  // where the first mark after it is likely to be
  };
  struct CamTrack {
    std::vector<LocatedEdge> edges;         // not yet given to a finished frame
    double frame_deg = 0;                   // start of the frame in work
    std::optional<double> clean_shift_deg;  // of the last frame without a mismatch
  };
  struct HeldFault {
    ToothEvent event;
    std::uint64_t release_at_mark = 0;
    std::uint32_t losses_before = 0;
    bool strict_was_in_sync = false;
  };
  static constexpr std::size_t reference_channel = 1000;

  void add_pending(const Pending& edge);
  void note_cam_edge(std::size_t cam, ActiveEdge edge, std::int64_t t_ns, std::uint64_t next_mark);
  std::uint64_t first_mark_after(const Pending& edge) const;
  void handle(CrankEvent event, std::int64_t t_ns);
  void look_at_wheel();
  void look_at_shaft();
  void look_at_period(std::size_t cam, double angle_deg);
  void look_at_cams();
  void start_segment();
  void walk();
  bool only_noted(const Pending& edge) const;
  void pass_plainly(std::uint64_t index);
  void locate_pending(std::uint64_t index);
  struct Located {
    double deg = 0;
    double uncertainty_deg = 0;
    double ns_per_deg = 0;  // from tooth to tooth
  };
  Located interpolate(std::uint64_t index, std::int64_t t_ns) const;
  double turned_deg(std::uint64_t from, std::uint64_t to) const;
  bool teeth_known() const;
  void tell_tooth_times(std::uint64_t index);
  void add_duty(ToothTimesEvent& event) const;
  void forget_teeth();
  // How late this mark's tooth stands, as learned.
  double late_deg(std::uint64_t index) const {
    if (error_deg_.empty()) {
      return 0;
    }
    const int on = tracker_.mark(index).tooth + place_ * cycle_.repeat_teeth;
    const auto tooth = static_cast<std::size_t>(on);
    return error_deg_[tooth < error_deg_.size() ? tooth : tooth - error_deg_.size()];
  }
  double hidden_dip_deg(std::uint64_t index) const;
  void take_located(const Pending& pending, const Located& at);
  TdcPoints points_around_tdc(std::uint64_t index) const;
  bool may_have_turned_back(std::uint64_t index) const;
  void pass_tdc(std::uint64_t index);
  void watch_timing(std::uint64_t index);
  void report_cycle(std::uint64_t index, const TdcEstimate& tdc, const CrankTracker::RatioRange& ratios);
  void plan_tdc();
  std::optional<double> rpm_over_turn(std::uint64_t index) const;
  double margin_of(const CrankTracker::RatioRange& range) const;
  void tell_silent_cams();
  void seek_place();
  std::vector<int> places_by_cams(AngleSpan span, double extra_shift_deg) const;
  void set_place(int place, PlaceKnown known);
  std::optional<PlaceKnown> known_by(const std::vector<int>& places) const;
  bool judged(std::size_t cam) const;
  bool is_left(const std::vector<int>& places) const;
  PlaceKnown known_by_wheel() const;
  bool moved_by_teeth(std::size_t cam, const CamMatch& match) const;
  void check_place();
  void contradict();
  void close_frames();
  void close_frame(std::size_t cam);
  void judge_unfinished(CamMatch& match) const;
  double frame_start_deg(const CamPattern& pattern) const;
  bool miscount_likely(std::size_t faults) const;
  bool may_miscount_unseen() const;
  void doubt_place(bool by_cams);
  bool could_be_belt(int place) const;
  void decide_place(const std::vector<int>& left, PlaceKnown known);
  void restore_place();
  bool tells_teeth(std::size_t cam) const;
  // Returns how many faults there were.
  std::size_t hold_faults();
  void release_faults(bool all);
  void change_state(LockState to, std::int64_t t_ns, LossReason reason);
  void finish_segment();
  LockState state_after(LossReason reason) const;
  void suspend(LossReason reason, std::int64_t t_ns);
  void end_suspended();
  void rejoin(std::int64_t t_ns);
  // So many cam edges, over so much of what the crank would have turned, say that it turns.
  struct TellingCamEdges {
    int edges = 0;
    double within_deg = 0;
  };
  TellingCamEdges telling_cam_edges() const;
  bool is_running_down() const;
  double slower_ns_per_deg() const;
  bool cannot_stop_at(double ns_per_deg, double within_deg) const;
  void take_loss(std::int64_t t_ns);
  void lose(LossReason reason, std::int64_t t_ns);
  LockState locked_state() const;
  bool cams_speak_against() const;
  int tooth_number(int tooth) const;
  double position_deg(std::int32_t tooth) const;
  double crank_deg(double wheel_deg) const;
  std::vector<CamEdges> evidence(AngleSpan span) const;
  std::optional<double> believed_shift(std::size_t cam) const;

  const Engine& engine_;
  ToothCycle cycle_;
  CrankTracker tracker_;
  StrictCounter strict_;
  WheelWatch wheel_;
  ShaftCheck shaft_;
  CamPeriod period_;
  CamJump jump_;  // fed while the cams have not told the tooth
  CamPatternWatch cam_patterns_;
  double turn_deg_ = 360;
  std::uint64_t crank_turn_teeth_ = 0;  // teeth that pass in a turn of the crank; of a wheel on the cam about
  std::vector<int> alike_;  // places that no cam of this file can tell from one another, as steps from any of them
  double largest_step_deg_ = 0;
  double smallest_step_deg_ = 0;
  // However long a step a plain edge ends, no cam edge in it means that the crank's are missing.
  bool no_step_is_silence_ = false;
  LockState state_ = LockState::no_signal;
  PlaceKnown known_ = PlaceKnown::none;
  int place_ = 0;
  std::vector<SyncEvent> events_;
  std::vector<Pending> pending_;  // in order of time
  std::vector<CamTrack> cams_;
  std::vector<std::optional<double>> last_shift_deg_;  // of each cam, as last seen without a mismatch; kept over locks
  double ripple_order_ = 2;
  bool coarse_ =
      false;  // too few teeth to follow the speed within a firing: between two of them a line is the best guess
  std::deque<HeldFault> held_;
  std::uint32_t losses_checkpoint_ = 0;
  bool strict_checkpoint_in_sync_ = false;

  // The walk over final marks.
  std::uint64_t walked_ = 0;         // index of the next mark to walk
  std::uint64_t segment_start_ = 0;  // first mark of this lock
  double segment_position_deg_ = 0;  // where the watch of this lock began
  double turns_base_deg_ = 0;        // whole cycles before the current mark's
  std::int32_t last_tooth_ = 0;
  std::int32_t ready_tooth_ = 0;  // when it has passed, the TDC can be fitted
  double tdc_wheel_deg_ = 0;
  double fit_wide_deg_ = 30;
  double next_seek_deg_ = 0;
  std::uint64_t cycle_number_ = 0;
  bool cycle_counted_ = false;
  std::optional<std::int64_t> last_tdc_ns_;
  TdcEstimator tdc_;
  CounterTick tick_;
  std::uint64_t cycles_watched_ = 0;  // while running
  double last_rpm_ = 0;
  std::uint64_t untold_until_ = 0;     // no TDC before this mark is told: at its time nothing was claimed
  std::int64_t before_newest_ns_ = 0;  // the crank edge before the newest
  double doubt_from_deg_ = 0;          // position from which the cams have not been told because of a doubt
  std::optional<int> doubted_place_;   // the place taken before the count of teeth came into doubt
  int cams_since_crank_ = 0;
  int misfit_frames_ = 0;
  int cycles_since_odd_ = 0;  // frames closed since an odd edge of the crank, or a crank so slow that one may go unseen
  int place_doubts_ = 0;      // so many looks at the place are still to be taken
  PlaceKnown doubted_known_ = PlaceKnown::none;
  bool doubted_by_cams_ = false;  // no odd edge of the crank came before the doubt
  bool doubted_on_odd_edges_ = false;
  bool belt_or_count_ = false;  // some doubt was never decided between these: kept over locks
  bool silence_reported_ = false;
  bool suspended_ = false;              // the lock is lost, but its segment may go on (CrankTracker::may_rejoin)
  bool cams_fitted_ = false;            // some cam, without a mismatch, in this lock
  bool moved_ = false;                  // a cam that tells the teeth stands elsewhere than before
  bool index_moved_ = false;            // ... one on the crank itself: no belt lies between
  std::vector<double> error_deg_;       // of each tooth of the cycle, as learned; empty = none
  std::vector<std::int64_t> other_ns_;  // the latest other edges; a power of two
  std::size_t other_count_ = 0;
  std::int64_t next_teeth_ns_ = std::numeric_limits<std::int64_t>::min();
};

}  // namespace cw
