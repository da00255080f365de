// Where is the crank, when edges stop fitting? A set of survivors, at most three for each tooth that the latest accepted edge
// could be, each with the cost (negative log likelihood, natural units) of the best explanation of all edges so far.
// Every new edge is tried as the next tooth, as that tooth out of its place, as a later tooth with some missed between, and
// as an edge too many.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "sync/past_steps.hpp"
#include "sync/speed_model.hpp"

namespace cw {

// Cost of an explanation in natural-log units: e^-7 is about one odd edge in a thousand.
inline constexpr double extra_cost = 7.0;
inline constexpr double missed_cost = 7.0;
// Faults come in trains: the second of a train is likelier than the first.
inline constexpr double train_cost = 3.0;
// A wheel that slips on its shaft is rarer than two missed teeth and likelier than three.
inline constexpr double jump_cost = 12.0;
// At most so many teeth may be missed in one interval; beyond that the position is not supported.
inline constexpr int missed_run_max = 8;

struct Survivor {
  int tooth = 0;          // of the last accepted edge, modulo the trellis' modulus
  std::int64_t t_ns = 0;  // its time; of a tooth out of its place, when it should have come
  SpeedState speed;
  double cost = 0;
  int clean_steps = 0;
  double step_cost = 0;      // of the last accepted interval
  int steps_since_gap = -1;  // clean ones since the gap came where it should after the last fault; -1 = it has not
  int extra_run = 0;         // edges too many since the last accepted edge
  int node = -1;             // last entry of its path
  double dirt = 0;           // faults and misfits, forgotten over a turn (e-folding 360 degrees)
  bool displaced = false;    // the last accepted edge is of a tooth out of its place
  bool misfit = false;       // some interval since begin fits no alternative
  int missed_run = 0;        // teeth missed in the last accepted interval
  double trend_before_fault_per_deg = 0;  // of the speed, before the last fault
  bool had_extra = false;                 // some edge since begin was one too many
  bool had_jump = false;                  // the wheel slipped since begin
  bool had_missed = false;                // some tooth since begin was missed
};

enum class ToothFault : std::uint8_t {
  none,
  extra,   // an edge too many
  missed,  // teeth without an edge
  jump,    // one interval too long or short by no whole number of teeth, all else whole: the wheel slipped
};

// One decision on the way: the edge at `t_ns` was tooth `tooth`, or (extra) one too many after it.
struct PathNode {
  std::int64_t t_ns = 0;
  int parent = -1;
  int tooth = 0;
  std::int16_t missed = 0;  // teeth missing before it
  ToothFault fault = ToothFault::none;
  float jump_deg = 0;  // by how much the interval was too long
};

class Trellis {
 public:
  // `step_deg[k]`: angle from tooth k to the next; the list is one period of the pattern, at least one tooth.
  explicit Trellis(std::span<const double> step_deg);

  // Starts from one known place. An interval that no alternative fits is only ever an edge too many.
  void begin(const Survivor& start);

  // `past` at mark `now`, when given: what the steps were like a cycle ago.
  void advance(std::int64_t t_ns, const ScatterModel& scatter, const PastSteps* past = nullptr, std::uint64_t now = 0);

  const Survivor& best() const { return survivors_.front(); }

  // Least cost among survivors that stand somewhere else than best() (by more than half a step, extrapolated to
  // `t_ns`), less the cost of best(); `no_rival` when there is none. Only those whose last `clean_steps` were without a
  // fault count.
  double rival_margin(std::int64_t t_ns, int clean_steps = 0) const;
  static constexpr double no_rival = 1e9;

  // Decisions that lead to best(), oldest first.
  std::vector<PathNode> best_path() const;

  std::size_t edges() const { return edges_; }

 private:
  void accept_as(const Survivor& from, std::int64_t t_ns, int tooth, int missed, double angle_deg, const StepFit& fit);
  void accept(const Survivor& from, std::int64_t t_ns, const ScatterModel& scatter, std::optional<double> past);
  double jump_deg(const Survivor& from, double dt_ns) const;
  bool may_have_jumped(const Survivor& from, double dt_ns) const;
  void accept_displaced(const Survivor& from, std::int64_t t_ns, int tooth, double angle_deg, const StepFit& fit);
  void accept_jump(const Survivor& from, std::int64_t t_ns);
  int add_node(const PathNode& node);
  void reject(const Survivor& from, std::int64_t t_ns);
  // How the newest edge is taken. Different stories of one tooth must not crowd each other out.
  enum class Story : std::uint8_t { tooth, displaced, extra };
  int& slot(int tooth, Story story);
  bool cheaper(double cost, int tooth, Story story);
  void put(const Survivor& survivor, Story story);
  void settle();
  double position_deg(const Survivor& survivor, std::int64_t t_ns) const;

  std::vector<double> step_deg_;
  std::vector<double> tooth_deg_;
  double period_deg_ = 0;
  double gap_deg_ = 0;               // the longest step
  std::vector<Survivor> survivors_;  // the best first
  std::vector<Survivor> next_;
  std::vector<int> slots_;  // index in next_, -1 = none; see slot()
  std::vector<PathNode> nodes_;
  std::size_t edges_ = 0;
};

}  // namespace cw
