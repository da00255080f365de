#include "compare/cam_pattern_report.hpp"

#include <algorithm>
#include <cmath>
#include <string>

#include "compare/attribution.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

// Crank angles modulo `modulo_deg`, ascending, in whole degrees: "62, 242, 332".
std::string angles_of(const std::vector<CamEdge>& edges, double modulo_deg) {
  std::vector<long> angles;
  angles.reserve(edges.size());
  for (const CamEdge& edge : edges) {
    angles.push_back(std::lround(wrap_deg(edge.angle_deg, modulo_deg)));
  }
  std::sort(angles.begin(), angles.end());
  std::string text;
  for (const long angle : angles) {
    text += (text.empty() ? "" : ", ") + std::to_string(angle);
  }
  return text;
}

// From edge to edge, around the cycle.
std::string steps_of(const std::vector<CamEdge>& edges, double cycle_deg) {
  std::string text;
  for (std::size_t i = 0; i < edges.size(); ++i) {
    const bool last = i + 1 == edges.size();
    const double next = last ? edges.front().angle_deg + cycle_deg : edges[i + 1].angle_deg;
    text += (text.empty() ? "" : ", ") + std::to_string(std::lround(next - edges[i].angle_deg));
  }
  return text;
}

}  // namespace

Finding CamPatternReport::finding_of(const CamPatternEvent& event) const {
  const CamPatternOpinion& opinion = event.opinion;
  const CamPattern& cam = engine_.cams[opinion.cam];
  const bool edge = opinion.verdict == CamPatternVerdict::other_edge;
  const FindingKind kind = edge ? FindingKind::wrong_edge_or_polarity : FindingKind::wrong_engine_file;
  Finding finding;
  apply(attribute(kind, edge ? Circumstance::cam_other_edge : Circumstance::cam_pattern), kind, finding);
  if (event.angles_modulo_deg) {
    const double modulo_deg = *event.angles_modulo_deg;
    finding.reason += "; seen at " + angles_of(opinion.seen, modulo_deg) + " degrees after TDC1" +
                      (modulo_deg < engine_.cycle_deg ? " or a turn later" : "") + ", the file says " +
                      angles_of(cam.edges, engine_.cycle_deg);
  } else {
    finding.reason += "; seen " + steps_of(opinion.seen, engine_.cycle_deg) +
                      " crank degrees apart around the cycle, the file says " + steps_of(cam.edges, engine_.cycle_deg);
  }
  if (opinion.rotated_deg) {
    finding.reason +=
        "; they are as far apart as the file says, so all of them, the trigger offset or the cam itself is off";
  }
  finding.phase = FindingPhase::open;
  finding.start_ns = opinion.t_ns;
  finding.end_ns = opinion.t_ns;
  finding.channel = cam.name;
  finding.values.emplace_back("edges_a_cycle", static_cast<double>(opinion.seen.size()));
  finding.values.emplace_back("expected_edges_a_cycle", static_cast<double>(cam.edges.size()));
  return finding;
}

void CamPatternReport::take(const CamPatternEvent& event, std::vector<Finding>& out) {
  std::optional<Finding>& open = open_[event.opinion.cam];
  if (open) {
    out.push_back(closed(*open, event.opinion.t_ns));
    open.reset();
  }
  if (event.opinion.verdict != CamPatternVerdict::fits) {
    open = finding_of(event);
    open->id = next_id_++;
    out.push_back(*open);
  }
}

}  // namespace cw
