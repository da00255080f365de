// A wheel of few or uneven teeth by both flanks of each tooth.
//
// From one flank a tooth that stands elsewhere and a crank that turns unevenly look alike. But teeth are mostly cut with one
// tool (common practice, no source), so teeth, or the spaces between them, are equally wide; then how long each takes tells
// the speed at its place, and the speed what the times between teeth mean. Whether they are equally wide is not taken for
// granted: waves of the usual sizes (smooth_turning) must explain all the widths better than widths of their own would.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "learn/fold.hpp"
#include "learn/smooth_turning.hpp"

namespace cw::learn {

// Edges over one engine cycle, cycle fold degrees: turn by turn of the wheel, tooth by tooth.
struct Flanks {
  std::size_t teeth = 0;          // in a turn of the wheel
  std::vector<double> lead_deg;   // the flank that the fold is of; the first 0
  std::vector<double> trail_deg;  // the other one, between this lead and the next
  std::size_t turns() const { return lead_deg.size() / teeth; }
};

// `fold`: of `lead_ns` over a cycle. Nothing when the other flank does not come once after each lead.
std::optional<Flanks> flanks_of(std::span<const std::int64_t> lead_ns, std::span<const std::int64_t> trail_ns,
                                const Fold& fold, std::size_t teeth);

// What is as wide everywhere.
enum class EqualWidth { teeth, spaces, none };

struct FlankWheel {
  std::vector<int> pitches;  // each step from the first tooth on; empty: any angles
  EqualWidth equal = EqualWidth::none;
  Turning turning;
};

// One such wheel held against the edges. Angles in cycle fold degrees from the first tooth of the fold.
class FlankFit {
 public:
  FlankFit(Flanks flanks, FlankWheel wheel);

  const FlankWheel& wheel() const { return wheel_; }
  double log_evidence() const;
  // The same of another wheel of equal pitches; only for a fit of one.
  double log_evidence_of(const std::vector<int>& pitches) const;

  // Angle of one tooth of the turn from another one.
  SmoothTurning::Estimate tooth(std::size_t from, std::size_t to) const;
  // Angle of what happened at `time_deg`, counted from the fold's first edge; the doubt is that of the angle from tooth `from`.
  SmoothTurning::Estimate place(double time_deg, std::size_t from) const;

 private:
  std::vector<double> even_or_pitched(const std::vector<int>& pitches) const;
  std::vector<double> ahead_of(const std::vector<int>& pitches) const;
  std::vector<std::vector<double>> unknowns() const;
  void add_steps(std::size_t upto, double sign, std::vector<double>& row) const;

  Flanks flanks_;
  FlankWheel wheel_;
  double turn_deg_;   // of the wheel
  double width_deg_;  // mean, of what may be equally wide
  std::size_t step_columns_;
  SmoothTurning turning_;
  std::vector<double> ahead_deg_;
};

}  // namespace cw::learn
