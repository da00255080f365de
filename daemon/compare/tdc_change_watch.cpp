#include "compare/tdc_change_watch.hpp"

#include <utility>

namespace cw {

namespace {

// A reading that speed makes unsure by more than this share of the change is left out.
constexpr double uncertainty_share = 1.0;

}  // namespace

TdcChangeWatch::TdcChangeWatch(const Engine& engine, std::uint64_t& next_id)
    : engine_(engine),
      next_id_(next_id),
      detector_({engine.limits.tdc_change_deg, engine.limits.learn_s, engine.limits.hysteresis}) {}

void TdcChangeWatch::take(const ReferenceEvent& event, double deviation_deg, bool cams_steady,
                          std::vector<Finding>& out) {
  if (event.rpm < engine_.limits.running_rpm ||
      event.uncertainty_deg > uncertainty_share * engine_.limits.tdc_change_deg) {
    return;
  }
  std::vector<Change> changes;
  detector_.take({event.t_ns, deviation_deg, event.rpm}, changes);
  for (const Change& change : changes) {
    tell(change, event, cams_steady, out);
  }
}

void TdcChangeWatch::tell(const Change& change, const ReferenceEvent& event, bool cams_steady,
                          std::vector<Finding>& out) {
  if (change.phase != ChangePhase::began) {
    open_.ended(change, out);
    return;
  }
  const FindingKind kind = change.kind == ChangeKind::step ? FindingKind::tdc_step : FindingKind::tdc_drift;
  const bool cams_tell = !engine_.cams.empty() && cams_steady && event.state == LockState::cycle_locked;
  Finding finding = finding_of(change, kind, cams_tell ? Circumstance::cams_steady : Circumstance::no_cam_watched);
  finding.id = next_id_++;
  finding.cycle = event.cycle;
  finding.channel = engine_.reference->channel;
  open_.opened(change.number, finding);
  out.push_back(std::move(finding));
}

}  // namespace cw
