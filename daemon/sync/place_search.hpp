// Finds the place on the wheel from nothing: for every tooth that the newest edge could be, all edges are taken for teeth
// in a row. The right one goes a whole turn, gap included, without an interval that misfits; at a fault all start anew. One
// tooth of the wheel, the same each time, may be out of its place.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "sync/speed_model.hpp"

namespace cw {

// An edge row that explains the last edges: the newest is `tooth`, and `clean_steps` intervals before it fit.
struct EdgeRow {
  int tooth = 0;
  SpeedState speed;
  int clean_steps = 0;
  double clean_deg = 0;
  int gaps = 0;              // of them, longest steps of the pattern
  std::int64_t t_ns = 0;     // when the newest edge came; where that tooth is out of place, when it should have come
  int displaced_tooth = -1;  // the tooth that is out of place; -1 = none so far
  // Before the newest edge, which may yet turn out to be of a tooth out of place:
  SpeedState speed_before;
  std::int64_t t_ns_before = 0;
};

class PlaceSearch {
 public:
  // `step_deg[k]`: angle from tooth k to the next, over one repeat of the pattern; at least one tooth.
  explicit PlaceSearch(std::span<const double> step_deg);

  // Forgets all; the newest edge is at `t_ns`.
  void begin(std::int64_t t_ns);
  void advance(std::int64_t t_ns, const ScatterModel& scatter);

  // The row that has gone furthest without a misfit.
  const EdgeRow& longest() const { return rows_[longest_]; }
  // All rows, in no order that means anything.
  std::span<const EdgeRow> rows() const { return rows_; }
  // The row whose newest edge is `tooth`.
  const EdgeRow& row_at(int tooth) const;

 private:
  std::vector<double> step_deg_;
  double gap_deg_ = 0;  // the longest step
  std::vector<EdgeRow> rows_;
  std::size_t longest_ = 0;
  std::int64_t newest_ns_ = 0;
};

// All rows of the same edges compared: costs in natural-log units, each interval at misfit_cost_max at most.
struct RowVerdict {
  int tooth = 0;      // of the newest edge in the row that explains them best
  double cost = 0;    // of that row
  double margin = 0;  // by which the next best costs more; no_rival_margin when the pattern has one tooth only
};
inline constexpr double no_rival_margin = 1e9;
RowVerdict judge_rows(std::span<const double> step_deg, std::span<const std::int64_t> t_ns,
                      const ScatterModel& scatter);

}  // namespace cw
