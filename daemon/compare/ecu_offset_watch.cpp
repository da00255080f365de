#include "compare/ecu_offset_watch.hpp"

#include "compare/attribution.hpp"

namespace cw {

void EcuOffsetWatch::take(const EcuValue& offset, std::optional<double> rpm, std::vector<Finding>& out) {
  if (!known_ || known_->bits == offset.bits) {
    known_ = offset;
    next_.reset();
    return;
  }
  if (!next_ || next_->bits != offset.bits) {
    next_ = offset;
    return;
  }
  Finding finding;
  apply(attribute(FindingKind::ecu_offset_changed, Circumstance::any), FindingKind::ecu_offset_changed, finding);
  finding.id = next_id_++;
  finding.clock = "host";
  finding.start_ns = next_->host_ns;
  finding.end_ns = offset.host_ns;
  finding.rpm = rpm;
  finding.values.emplace_back("before_deg", known_->value);
  finding.values.emplace_back("after_deg", offset.value);
  out.push_back(std::move(finding));
  known_ = offset;
  next_.reset();
}

}  // namespace cw
