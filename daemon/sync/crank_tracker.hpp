// Crank edges to tooth numbers. Searching, all places on the wheel are tried until one explains a turn from gap to gap (PlaceSearch);
// locked, each edge is predicted and checked on a short path, and an edge that does not fit opens an episode from a few
// teeth back, in which explanations compete until one stands alone (Trellis). Decisions are final `lag_marks` teeth
// behind the newest edge, on a slow crank at the next gap (final_marks).
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "geometry/tooth_cycle.hpp"
#include "sync/past_steps.hpp"
#include "sync/place_search.hpp"
#include "sync/trellis.hpp"

namespace cw {

// An edge taken for a tooth. `tooth` indexes ToothCycle::teeth; which of the alike places of the cycle it is in is
// provisional until the cams have told (Sync::seek_place).
struct CrankMark {
  std::int64_t t_ns = 0;
  std::int32_t tooth = 0;
};

struct CrankFault {
  ToothFault kind = ToothFault::extra;
  std::int64_t t_ns = 0;  // of the extra edge or the one after the jump; when the missed one was due
  int tooth = 0;          // cycle index of the missed tooth; else of the last tooth before
  double wheel_deg = 0;   // where, from the marked reference tooth
  double rpm = 0;
  double jump_deg = 0;
};

// The last tooth that was sure when a lock was lost.
struct SurePlace {
  std::int64_t t_ns = 0;
  int tooth = 0;  // cycle index
};

enum class CrankEvent : std::uint8_t {
  none,
  acquired,
  rejoined,  // a lock that was lost is found again, and all edges since are explained: marks go on from before
  resolved,  // an episode is over: faults may be waiting
  doubted,   // the crank is so slow that it may turn back; resolved or lost follows
  lost,
};

enum class LossReason : std::uint8_t {
  none,
  ambiguous,       // several places explain the edges about as well
  nothing_fits,    // no explanation within missed_run_max missing teeth
  nearly_stopped,  // so slow that the crank may turn back: direction and place can't be known
  contradicted,    // a look at the last turns alone says another place
  signal_stopped,
  input_lost,    // edges were lost on the way in
  count_unsure,  // on a wheel without a gap the cams must tell the tooth anew
};
std::string_view to_string(LossReason reason);

class CrankTracker {
 public:
  static constexpr std::uint64_t lag_marks = 4;

  explicit CrankTracker(const ToothCycle& cycle);

  // The next active edge; times must not fall.
  CrankEvent edge(std::int64_t t_ns) {
    raw_[raw_count_++ & mask_] = t_ns;
    if (on_short_path_) {
      const CrankMark& last = marks_[(mark_count_ - 1) & mask_];
      const Step& step = steps_[static_cast<std::size_t>(last.tooth)];
      const double ns_per_deg = static_cast<double>(t_ns - last.t_ns) * step.per_deg;
      if (ns_per_deg < ns_per_deg_ * step.most && ns_per_deg * step.most > ns_per_deg_ &&
          ns_per_deg < slow_ns_per_deg_ && !(step.confirms && near_turning())) {
        const double ratio = ns_per_deg / ns_per_deg_;
        ratio_most_ = ratio > ratio_most_ ? ratio : ratio_most_;
        ratio_least_ = ratio < ratio_least_ ? ratio : ratio_least_;
        ns_per_deg_ = ns_per_deg;
        marks_[mark_count_++ & mask_] = {t_ns, step.next};
        if (step.confirms) {
          confirm_gap();
        }
        return CrankEvent::none;
      }
    }
    return edge_off_short_path(t_ns);
  }

  // Whether take_plain() may be called: each edge that is the next tooth makes one mark final, and those are of teeth in a row.
  bool is_plain() const { return on_short_path_ && !holding_ && mark_count_ >= settled_ + lag_marks; }
  // As edge() for each of these, up to the first that is not the next tooth of a crank too fast to be unsure of; how many
  // were taken. Only when is_plain().
  std::size_t take_plain(std::span<const std::int64_t> t_ns);

  // Forgets the lock for a reason that lies outside the crank edges (silence, a gap in the input).
  void drop(LossReason reason);

  bool locked() const { return locked_; }
  // The lock was lost in a way that what comes may explain: `rejoined` may follow, until drop() or `acquired`.
  bool may_rejoin() const { return rejoin_until_edge_ > 0; }
  // What comes is looked at by itself; faults that waited are told.
  void give_up_rejoin();
  LossReason loss_reason() const { return loss_reason_; }
  SurePlace loss_place() const { return loss_place_; }
  // ns per degree when the lock was lost; 0 = unknown.
  double loss_ns_per_deg() const { return loss_ns_per_deg_; }
  // Marks [first_mark(), final_marks()) are decided for good; indices count up over the whole life of the tracker.
  std::uint64_t first_mark() const { return first_mark_; }
  // On a slow crank a missed tooth or one too many can pass for a change of speed; the next gap tells. So there marks
  // become final only when the gap after them has come where it should.
  std::uint64_t final_marks() const {
    if (holding_) {
      return confirmed_ < mark_count_ ? confirmed_ : mark_count_;  // an episode may have taken back the newest
    }
    const std::uint64_t lagged = mark_count_ > lag_marks ? mark_count_ - lag_marks : 0;
    return lagged > settled_ ? lagged : settled_;
  }
  // The marks before `index` have been used: they can't be decided anew.
  void note_used(std::uint64_t index) { said_ = index; }
  // Whether the place of this mark, of the lock that holds, rests on more than an explanation of many odd edges: from
  // the first of them to the next gap that comes where it should, it does not.
  bool well_supported(std::uint64_t index) const { return index < unsure_from_ || index >= unsure_until_; }
  // Marks of this lock before this one are counted back over the first gap that it has seen. On a slow crank a tooth missed
  // beside that gap makes it no longer than a dip in speed may, and puts all of them off by one.
  std::uint64_t counted_back_until() const { return counted_back_until_; }
  // Whether, in the episode that was just resolved, a slow crank changed its speed within a step by so much, and not as a
  // cycle ago, that a tooth may as well have been missed or one edge have been too many. Only of wheels without a gap,
  // which never show it.
  bool uneven_step() const { return uneven_step_; }
  // One past the newest mark, decided or not.
  std::uint64_t marks_end() const { return mark_count_; }
  const CrankMark& mark(std::uint64_t index) const { return marks_[index & mask_]; }

  // ns per degree at the newest edge; 0 = unknown.
  double ns_per_deg() const { return ns_per_deg_; }
  // Expected time to the next edge after the newest mark, ns; 0 = unknown.
  double next_interval_ns() const;
  std::int64_t newest_ns() const { return raw_[(raw_count_ - 1) & mask_]; }
  std::uint64_t edges() const { return raw_count_; }

  // Faults found since the last call, in time order.
  std::vector<CrankFault> take_faults();

  // Extremes since the last call of (ns per degree of a step) / (same of the step before): 1, 1 on an ideal wheel.
  struct RatioRange {
    double least = 1;
    double most = 1;
  };
  RatioRange take_ratios();

  void set_edge_scatter_ns(double scatter_ns) { scatter_.edge_ns = scatter_ns; }

 private:
  struct Step {
    double per_deg = 0;  // 1 / step_deg
    double most = 1;     // greatest ratio to the last step that the short path takes, and 1/least
    std::int32_t next = 0;
    bool confirms = false;  // arriving at `next`, a gap has been seen with teeth on either side
    std::size_t run = 1;    // so many steps, this one included, until one confirms or the list ends
  };

  CrankEvent edge_off_short_path(std::int64_t t_ns);
  CrankEvent search(std::int64_t t_ns);
  int turns_wanted(int turns) const;
  bool complete(const EdgeRow& row, int turns) const;
  bool worth_judging(const PlaceSearch& search, int turns) const;
  std::optional<EdgeRow> certain_row(const PlaceSearch& search, int turns) const;  // what is worth_judging()
  double lock_margin_wanted(std::size_t steps) const;
  bool too_coarse_to_tell() const;
  bool running_out(const EdgeRow& row) const;
  std::uint64_t steps_since_stand(const EdgeRow& row) const;
  bool turns_take_longer() const;
  bool slow_interval() const;
  ScatterModel search_scatter() const;
  std::span<const double> repeat_steps() const;
  void take_lock(const EdgeRow& row);
  std::uint64_t after_first_gap() const;
  void wait_for_rejoin(std::size_t faults_before);
  bool rejoin(const EdgeRow& row);
  bool explains_loss(const EdgeRow& row) const;
  bool believable(std::span<const PathNode> path) const;
  bool nearly_stood(std::span<const PathNode> path) const;
  void open_episode();
  void advance_episode(std::int64_t t_ns);
  void note_step(std::uint64_t mark_index);
  void begin_episode_at(std::uint64_t mark_index);
  void reopen_from_gap();
  void note_gap(std::uint64_t marks_end);
  void confirm_gap();
  void hold_if_slow();
  Survivor episode_start(std::uint64_t mark_index) const;
  CrankEvent continue_episode(std::int64_t t_ns);
  bool unsettled(const Survivor& survivor) const;
  bool fault_at_gap(int from_tooth, const PathNode& node) const;
  bool gap_out_of_place() const;
  bool stalled(std::int64_t t_ns) const;
  bool could_stop() const;
  bool fault_now(const Survivor& survivor) const;
  bool may_have_turned(const Survivor& survivor) const;
  bool episode_decided(std::int64_t t_ns) const;
  LossReason episode_hopeless(std::int64_t t_ns) const;
  // What of the episode was odd.
  struct OddEdges {
    int extra = 0;
    int missed = 0;
    bool at_gap = false;  // within it or beside
    bool mixed() const { return extra > 0 && missed > 0; }
  };
  OddEdges commit_episode();
  void note_unsure(const OddEdges& odd, std::uint64_t from_mark);
  bool mixed_again(const OddEdges& odd);
  bool uneven(const PathNode& node, const CrankMark& before, std::uint64_t from_mark) const;
  void commit_node(const PathNode& node);
  void keep_faults();
  bool dense_burst(double share_of_step = 0.5) const;
  void add_fault(const PathNode& node, const CrankMark& last);
  SurePlace last_sure() const;
  bool contradicted() const;
  double stopping(const SpeedState& speed) const;
  double next_step_deg(const Survivor& survivor) const;
  bool as_a_cycle_ago(const Survivor& survivor) const;
  bool may_turn_back(const Survivor& survivor);
  // Whether a crank this slow may have turned back in the gap that it has just come out of.
  bool near_turning() const { return holding_ && ns_per_deg_ > near_turning_ns_per_deg_; }
  std::vector<CrankMark> newest_teeth(std::size_t count) const;
  bool turned_in_gap(const Survivor& survivor) const;
  CrankEvent lose(LossReason reason, std::int64_t t_ns);
  bool in_episode() const { return locked_ && !on_short_path_; }

  ToothCycle cycle_;
  std::vector<Step> steps_;
  std::vector<double> cycle_step_deg_;
  double gap_deg_ = 0;     // the longest step
  double turn_deg_ = 360;  // angle after which the pattern repeats
  int gaps_per_repeat_ = 0;
  int turn_teeth_ = 1;  // teeth in a crank turn, or in the pattern where that is longer (a wheel on the cam)
  double near_turning_ns_per_deg_ = 0;  // slower than this near_turning()
  double slow_ns_per_deg_ = 0;          // slower than this the crank may be about to turn back
  ScatterModel scatter_;
  PlaceSearch places_;  // when searching
  Trellis episode_;     // over the cycle, when locked and in doubt
  PastSteps past_;      // of the marks so far, when slow
  std::vector<std::int64_t> raw_;
  std::vector<CrankMark> marks_;
  std::uint64_t mask_ = 0;
  std::uint64_t raw_count_ = 0;
  std::uint64_t mark_count_ = 0;
  std::uint64_t first_mark_ = 0;
  std::uint64_t episode_from_ = 0;  // mark after the one that the episode starts from
  double episode_start_ns_per_deg_ = 0;
  std::uint64_t settled_ = 0;
  std::uint64_t said_ = 0;         // marks before it were final and have been used
  std::uint64_t unsure_from_ = 0;  // see well_supported()
  std::uint64_t unsure_until_ = 0;
  std::uint64_t mixed_at_mark_ = 0;  // end of the last episode with edges both missed and too many; 0 = none
  std::uint64_t confirmed_ = 0;      // marks before it have a good gap after them
  std::uint64_t lock_mark_ = 0;      // marks_end() when the lock was taken
  std::uint64_t counted_back_until_ = 0;
  int gaps_since_lock_ = 0;
  bool holding_ = false;
  bool reopened_ = false;  // this episode goes back to the last gap
  bool uneven_step_ = false;
  // Apart from each other: side by side, gcc keeps two of them in one register and takes take_plain() a fifth longer.
  double ns_per_deg_ = 0;
  std::uint64_t audit_at_mark_ = 0;  // 0 = none due
  double ratio_least_ = 1;
  std::uint64_t doubted_at_edge_ = 0;
  double ratio_most_ = 1;
  bool locked_ = false;
  bool on_short_path_ = false;
  bool search_begun_ = false;
  int judge_after_ = 0;                  // edges until all rows are compared again
  std::uint64_t rejoin_until_edge_ = 0;  // 0: a lost lock is not to be found again
  bool may_run_backwards_ = false;       // the lock was lost on a slow crank: it may have been thrown back
  double last_slow_ns_per_deg_ = 0;      // of the step before, when slow
  double suspect_ns_per_deg_ = 0;        // of the last step, when a turn back was possible but not yet likely
  bool doubted_ = false;                 // in this episode the crank may have turned back
  LossReason loss_reason_ = LossReason::none;
  double loss_ns_per_deg_ = 0;
  SurePlace loss_place_;
  std::vector<CrankFault> faults_;
  std::vector<CrankFault> faults_of_loss_;  // told when the lock is not found again
};

}  // namespace cw
