#include "report/session_picture.hpp"

#include <algorithm>
#include <cmath>

namespace cw {

SessionPicture::SessionPicture(const Engine& engine) : engine_(engine), cams_(engine.cams.size()) {}

void SessionPicture::take_items(const ItemBatch& batch) {
  for (const Item& item : batch.items) {
    if (!first_host_ns_) {
      first_host_ns_ = item.host_ns;
    }
    last_host_ns_ = item.host_ns;
    if (item.kind == ItemKind::edge) {
      if (is_crank_[item.source][item.channel]) {
        host_less_source_ns_ = item.host_ns - item.source_ns;
      }
    } else if (item.kind == ItemKind::link_note) {
      take_note(item, batch);
    } else if (item.kind == ItemKind::gap) {
      take_gap(item, batch);
    }
  }
}

void SessionPicture::take_note(const Item& item, const ItemBatch& batch) {
  switch (static_cast<LinkNote>(item.code)) {
    case LinkNote::channel_named: {
      std::string name;
      for (const std::byte byte : payload_of(item, batch.payload)) {
        name.push_back(static_cast<char>(byte));
      }
      is_crank_[item.source][item.channel] = name == engine_.crank.channel;
      break;
    }
    case LinkNote::new_epoch:
      ++epochs_;
      break;
    case LinkNote::disconnected:
      ++disconnections_;
      break;
    default:
      break;
  }
}

void SessionPicture::take_gap(const Item& item, const ItemBatch& batch) {
  const auto count = gap_count(payload_of(item, batch.payload));
  if (count && *count == 0) {
    return;  // nothing was lost: a line that held no edge, or what was removed on purpose
  }
  Loss& loss = losses_[{item.source, static_cast<GapReason>(item.code)}];
  loss.first_ns = loss.times == 0 ? session_ns(item.host_ns) : loss.first_ns;
  loss.last_ns = session_ns(item.host_ns);
  ++loss.times;
  loss.lost += count.value_or(0);
  loss.unknown += count ? 0 : 1;
}

void SessionPicture::on_finding(const Finding& finding) {
  const std::int64_t told_ns =
      finding.clock == "source" ? session_ns_of_source(finding.start_ns) : session_ns(finding.start_ns);
  const std::int64_t begin_ns = std::clamp<std::int64_t>(told_ns, 0, std::max<std::int64_t>(finding.session_ns, 0));
  findings_.add(finding, begin_ns);
  if (finding.phase != FindingPhase::close) {
    marks_.add(begin_ns, finding.severity, finding.kind, finding.count);
  }
}

void SessionPicture::on_cycle(const Cycle& cycle) {
  steady_.take(cycle);
  const std::int64_t t_ns = session_ns_of_source(cycle.tdc_ns);
  rpm_.add(t_ns, cycle.rpm);
  (cycle.rpm >= engine_.limits.running_rpm ? uncertainty_running_ : uncertainty_slow_).add(cycle.uncertainty_deg);
  if (cycle.sync_margin) {
    margin_.add(t_ns, *cycle.sync_margin);
  }
  for (std::size_t i = 0; i < std::min(cams_.size(), cycle.cam_phase_deg.size()); ++i) {
    if (cycle.cam_phase_deg[i]) {
      cams_[i].add(t_ns, *cycle.cam_phase_deg[i]);
    }
  }
  if (!cycle.reference_deviation_deg || cycle.state != LockState::cycle_locked || !(cycle.rpm > 0)) {
    return;
  }
  const double deviation = *cycle.reference_deviation_deg;
  tdc_.add(t_ns, deviation);
  const auto bin =
      static_cast<std::size_t>(std::min(cycle.rpm / SpeedBin::rpm_per_bin, static_cast<double>(speed_bins_max - 1)));
  if (bin >= by_speed_.size()) {
    by_speed_.resize(bin + 1);
  }
  by_speed_[bin].deviation_deg.add(deviation);
  by_speed_[bin].rpm_sum += cycle.rpm;
  by_speed_[bin].squares += deviation * deviation;
}

void SessionPicture::on_second(const Second& second) {
  ++seconds_;
  const auto add = [&](BinnedSeries& series, const std::optional<double>& value) {
    if (value) {
      series.add(second.session_ns, *value);
    }
  };
  const auto add_value = [](ValueBin& bin, const std::optional<double>& value) {
    if (value && std::isfinite(*value)) {
      bin.add(*value);
    }
  };
  add(ecu_rpm_, second.ecu_rpm);
  add(ecu_advance_, second.ecu_advance_deg);
  add(clock_offset_, second.clock_offset_ms);
  add_value(clock_skew_, second.clock_skew_ppm);
  add_value(clock_uncertainty_, second.clock_uncertainty_ms);
  ecu_heard_ += second.ecu_rpm || second.ecu_state || second.ecu_advance_deg ? 1 : 0;
  agreed_ += second.ecu_agrees.value_or(false) ? 1 : 0;
  disagreed_ += second.ecu_agrees.value_or(true) ? 0 : 1;
}

void SessionPicture::on_state(const StateChange& change) {
  steady_.take(change);
  states_.add(state_since_ns_, change.session_ns, state_);
  state_ = change.to;
  state_since_ns_ = std::max(state_since_ns_, change.session_ns);
}

void SessionPicture::finish() {
  states_.add(state_since_ns_, length_ns(), state_);
}

}  // namespace cw
