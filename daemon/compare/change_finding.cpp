#include "compare/change_finding.hpp"

#include <algorithm>

namespace cw {

namespace {

constexpr double s_per_min = 60;
constexpr double s_per_h = 3600;

}  // namespace

Finding finding_of(const Change& change, FindingKind kind, Circumstance circumstance) {
  Finding finding;
  apply(attribute(kind, circumstance), kind, finding);
  finding.phase = FindingPhase::open;
  finding.start_ns = change.begin_ns;
  finding.end_ns = change.end_ns;
  finding.rpm = change.rpm;
  finding.values = {{"from_deg", change.from},
                    {"to_deg", change.to},
                    {"change_deg", change.to - change.from},
                    {"uncertainty_deg", change.uncertainty}};
  if (change.kind == ChangeKind::drift) {
    finding.values.emplace_back("rate_deg_per_min", change.rate_per_s * s_per_min);
    finding.values.emplace_back("rate_deg_per_h", change.rate_per_s * s_per_h);
  }
  return finding;
}

void OpenChanges::ended(const Change& change, std::vector<Finding>& out) {
  const auto found =
      std::find_if(open_.begin(), open_.end(), [&](const auto& open) { return open.first == change.number; });
  if (found == open_.end()) {
    return;
  }
  Finding closing = closed(found->second, change.end_ns);
  closing.values = {{"from_deg", change.from}, {"to_deg", change.to}, {"change_deg", change.to - change.from}};
  if (change.phase == ChangePhase::stopped) {
    closing.values.emplace_back("stopped", 1);
  }
  out.push_back(std::move(closing));
  open_.erase(found);
}

}  // namespace cw
