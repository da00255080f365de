#include "compare/wheel_report.hpp"

#include <utility>

#include "compare/attribution.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw {

namespace {

struct Row {
  FindingKind kind;
  Circumstance circumstance;
};

Row row_of(WheelVerdict verdict) {
  switch (verdict) {
    case WheelVerdict::wired_backwards:
      return {FindingKind::wrong_edge_or_polarity, Circumstance::wired_backwards};
    case WheelVerdict::other_edge:
      return {FindingKind::wrong_edge_or_polarity, Circumstance::other_edge};
    case WheelVerdict::tooth_missing:
      return {FindingKind::damaged_tooth, Circumstance::tooth_every_turn};
    case WheelVerdict::tooth_displaced:
      return {FindingKind::damaged_tooth, Circumstance::tooth_displaced};
    case WheelVerdict::edge_added:
      return {FindingKind::damaged_tooth, Circumstance::edge_every_turn};
    case WheelVerdict::swapped:
      return {FindingKind::wrong_engine_file, Circumstance::channels_swapped};
    case WheelVerdict::other_shaft:
      return {FindingKind::wrong_engine_file, Circumstance::other_shaft};
    case WheelVerdict::other_wheel:
    case WheelVerdict::fits:
      break;
  }
  return {FindingKind::wrong_engine_file, Circumstance::other_wheel};
}

}  // namespace

Finding WheelReport::finding_of(const WheelOpinion& opinion) const {
  const Row row = row_of(opinion.verdict);
  Finding finding;
  apply(attribute(row.kind, row.circumstance), row.kind, finding);
  finding.reason +=
      opinion.verdict == WheelVerdict::other_shaft
          ? "; they come " + opinion.looks_like + " as the file says"
          : "; the crank edges look like " + opinion.looks_like + ", the file says " + words_of(tooth_cycle(engine_));
  finding.phase = FindingPhase::open;
  finding.start_ns = opinion.t_ns;
  finding.end_ns = opinion.t_ns;
  finding.channel = opinion.cam ? engine_.cams[*opinion.cam].name : engine_.crank.channel;
  if (opinion.edges > 0) {
    finding.values.emplace_back("edges_a_repeat", static_cast<double>(opinion.edges));
  }
  return finding;
}

void WheelReport::take(const WheelEvent& event, std::vector<Finding>& out) {
  if (event.opinion.verdict == WheelVerdict::fits) {
    break_off(event.opinion.t_ns, out);
    return;
  }
  Finding finding = finding_of(event.opinion);
  const bool same_matter = open_ && open_->kind == finding.kind;  // only seen better now
  if (same_matter) {
    finding.id = open_->id;
    finding.start_ns = open_->start_ns;
  } else {
    break_off(event.opinion.t_ns, out);
    finding.id = next_id_++;
  }
  open_ = finding;
  out.push_back(std::move(finding));
}

void WheelReport::break_off(std::int64_t t_ns, std::vector<Finding>& out) {
  if (open_) {
    out.push_back(closed(*open_, t_ns));
    open_.reset();
  }
}

}  // namespace cw
