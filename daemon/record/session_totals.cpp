#include "record/session_totals.hpp"

#include <algorithm>
#include <cmath>

#include "record/observation_text.hpp"
#include "text/json.hpp"

namespace cw {

void RunningMean::add(double value) {
  if (!std::isfinite(value)) {
    return;
  }
  ++count_;
  const double from_mean = value - mean_;
  mean_ += from_mean / static_cast<double>(count_);
  squares_ += from_mean * (value - mean_);
  least_ = count_ == 1 ? value : std::min(least_, value);
  greatest_ = count_ == 1 ? value : std::max(greatest_, value);
}

double RunningMean::deviation() const {
  return count_ < 2 ? 0.0 : std::sqrt(squares_ / static_cast<double>(count_ - 1));
}

SessionTotals::SessionTotals(const Engine& engine, const std::vector<BusMap>& maps)
    : engine_(engine), cam_phase_deg_(engine.cams.size()) {
  for (const SignalKind& kind : signal_kinds()) {
    if (gives(maps, kind.name)) {
      ecu_gives_.push_back(kind.name);
    }
  }
}

void SessionTotals::take_items(const ItemBatch& batch) {
  if (batch.items.empty()) {
    return;
  }
  if (!first_host_ns_) {
    first_host_ns_ = batch.items.front().host_ns;
  }
  last_host_ns_ = batch.items.back().host_ns;
  next_sequence_ = batch.items.back().sequence + 1;
  items_ += batch.items.size();
  for (const Item& item : batch.items) {
    if (item.kind == ItemKind::edge) {
      if (edges_ == 0) {
        first_edge_ns_ = item.source_ns;
      }
      ++edges_;
      last_edge_ns_ = item.source_ns;
    } else if (item.kind == ItemKind::can_frame) {
      ++can_frames_;
    } else if (item.kind != ItemKind::tick) {
      take_notes(item, batch);
    }
  }
}

void SessionTotals::take_notes(const Item& item, const ItemBatch& batch) {
  gaps_ += item.kind == ItemKind::gap ? 1 : 0;
  if (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
    const auto bytes = payload_of(item, batch.payload);
    std::string name(reinterpret_cast<const char*>(bytes.data()), bytes.size());
    if (channels_.size() < channels_max && !has_channel(name)) {
      channels_.push_back(std::move(name));
    }
  }
}

void SessionTotals::on_finding(const Finding& finding) {
  if (finding.phase == FindingPhase::close) {
    return;
  }
  KindCount& kind = kinds_[finding.kind];
  kind.findings += finding.count;
  kind.worst = std::max(kind.worst, finding.severity);
  by_severity_.at(static_cast<std::size_t>(finding.severity)) += finding.count;
  const auto place = std::find_if(worst_.begin(), worst_.end(),
                                  [&](const Finding& other) { return other.severity < finding.severity; });
  worst_.insert(place, finding);
  if (worst_.size() > worst_max) {
    worst_.pop_back();
  }
}

void SessionTotals::on_cycle(const Cycle& cycle) {
  ++cycles_;
  steady_.take(cycle);
  if (cycle.state != LockState::cycle_locked) {
    return;
  }
  if (cycle.reference_deviation_deg) {
    tdc_deviation_deg_.add(*cycle.reference_deviation_deg);
  }
  if (cycle.sync_margin) {
    sync_margin_.add(*cycle.sync_margin);
  }
  for (std::size_t i = 0; i < std::min(cam_phase_deg_.size(), cycle.cam_phase_deg.size()); ++i) {
    if (cycle.cam_phase_deg[i]) {
      cam_phase_deg_[i].add(*cycle.cam_phase_deg[i]);
    }
  }
}

void SessionTotals::on_second(const Second& second) {
  ecu_seconds_.heard += second.ecu_rpm || second.ecu_state || second.ecu_advance_deg ? 1 : 0;
  ecu_seconds_.compared += second.ecu_agrees ? 1 : 0;
  ecu_seconds_.disagreed += second.ecu_agrees == false ? 1 : 0;
}

void SessionTotals::on_state(const StateChange& change) {
  state_ns_.at(static_cast<std::size_t>(state_)) += change.session_ns - state_since_ns_;
  state_ = change.to;
  state_since_ns_ = change.session_ns;
  steady_.take(change);
}

void SessionTotals::finish() {
  const std::int64_t rest = span_ns() - state_since_ns_;
  state_ns_.at(static_cast<std::size_t>(state_)) += std::max<std::int64_t>(rest, 0);
  state_since_ns_ = span_ns();
  offset_fit_ = fit_offset(steady_.holds());
}

std::int64_t SessionTotals::span_ns() const {
  return first_host_ns_ ? *last_host_ns_ - *first_host_ns_ : 0;
}

bool SessionTotals::has_channel(const std::string& name) const {
  return std::find(channels_.begin(), channels_.end(), name) != channels_.end();
}

std::vector<std::string> SessionTotals::not_watched() const {
  std::vector<std::string> list;
  if (!has_channel(engine_.crank.channel)) {
    list.push_back("the crank (no edge on its channel \"" + engine_.crank.channel + "\")");
  }
  if (engine_.cams.empty() && engine_.crank.shaft == WheelShaft::cam) {
    list.emplace_back("cam phase (the only wheel turns with the cam: a jumped belt or chain can't be seen)");
  } else if (engine_.cams.empty() && engine_.crank.period_deg < engine_.cycle_deg) {
    list.emplace_back("cam phase, and which of the two turns is which (no cam in the engine file)");
  }
  for (const CamPattern& cam : engine_.cams) {
    if (!has_channel(cam.channel)) {
      list.push_back("cam " + cam.name + " (no edge on its channel \"" + cam.channel + "\")");
    }
  }
  if (!engine_.reference) {
    list.emplace_back("TDC against the ECU (no reference pulse in the engine file)");
  } else if (!has_channel(engine_.reference->channel)) {
    list.push_back("TDC against the ECU (no edge on the reference channel \"" + engine_.reference->channel + "\")");
  } else if (engine_.reference->period_deg < engine_.cycle_deg) {
    list.emplace_back("the compression stroke (the reference comes in every turn: an error of 360 deg can't be seen)");
  }
  if (engine_.crank.offset_basis == OffsetBasis::unverified) {
    list.emplace_back("the trigger offset itself (unverified: TDC agrees with the engine file only)");
  }
  add_ecu_not_watched(list);
  return list;
}

bool SessionTotals::ecu_gives(SignalName name) const {
  return std::find(ecu_gives_.begin(), ecu_gives_.end(), name) != ecu_gives_.end();
}

void SessionTotals::add_ecu_not_watched(std::vector<std::string>& list) const {
  if (!listens_to_ecu()) {
    list.emplace_back("what the ECU says on CAN");
    return;
  }
  const bool tells =
      ecu_gives(SignalName::engine_speed) || ecu_gives(SignalName::sync_state) || ecu_gives(SignalName::spark_advance);
  if (can_frames_ == 0 || (tells && ecu_seconds_.heard == 0)) {
    list.emplace_back("what the ECU says on CAN (nothing that its signal map reads has come)");
    return;
  }
  if (!has_channel(engine_.crank.channel)) {
    list.emplace_back(
        "whether what the ECU says is so (no edges to hold against it: a loss may be the signal's or the "
        "ECU's, and no angle is known)");
  }
  if (!ecu_gives(SignalName::sync_state) && !ecu_gives(SignalName::sync_loss_count)) {
    list.emplace_back("whether the ECU keeps its sync (its signal map has neither sync_state nor sync_loss_count)");
  }
  if (!ecu_gives(SignalName::engine_speed)) {
    list.emplace_back("the speed that the ECU sees (its signal map has no engine_speed)");
  }
}

bool fails(const SessionTotals& totals, const std::optional<Severity>& limit) {
  return limit && std::any_of(totals.kinds().begin(), totals.kinds().end(),
                              [&](const auto& entry) { return entry.second.worst >= *limit; });
}

namespace {

// Fixed precision, so that the file does not depend on how a library shortens numbers.
double rounded(double value) {
  return std::round(value * 1000.0) / 1000.0;
}

OrderedJson mean_json(const RunningMean& mean) {
  OrderedJson json;
  json["readings"] = mean.count();
  json["mean"] = rounded(mean.mean());
  json["standard_deviation"] = rounded(mean.deviation());
  json["least"] = rounded(mean.least());
  json["greatest"] = rounded(mean.greatest());
  return json;
}

OrderedJson clock_json(const ClockFit& fit) {
  OrderedJson json;
  json["source"] = fit.source;
  json["offset_ms"] = rounded(fit.offset_ms);
  json["skew_ppm"] = rounded(fit.skew_ppm);
  json["uncertainty_ms"] = rounded(fit.uncertainty_ms);
  json["steps"] = fit.steps;
  return json;
}

OrderedJson estimate_json(const Estimate& estimate) {
  OrderedJson json;
  json["value"] = rounded(estimate.value);
  json["half_width"] = rounded(estimate.half_width);
  return json;
}

OrderedJson fit_json(const OffsetFit& fit) {
  OrderedJson json;
  json["verdict"] = to_string(fit.verdict);
  json["from_rpm"] = rounded(fit.least_rpm);
  json["to_rpm"] = rounded(fit.greatest_rpm);
  if (fit.offset_deg && fit.delay_us) {
    json["offset_deg"] = estimate_json(*fit.offset_deg);
    json["delay_us"] = estimate_json(*fit.delay_us);
  }
  return json;
}

std::optional<std::int64_t> wall_of(const std::optional<WallAnchor>& anchor, const std::optional<std::int64_t>& host) {
  return anchor && host ? wall_ns_at(*anchor, *host) : std::nullopt;
}

void add_times(OrderedJson& json, const SessionTotals& totals, const std::optional<WallAnchor>& anchor) {
  if (const auto wall = wall_of(anchor, totals.first_host_ns())) {
    json["first_wall_time"] = rfc3339(*wall, 3);
  }
  if (const auto wall = wall_of(anchor, totals.last_host_ns())) {
    json["last_wall_time"] = rfc3339(*wall, 3);
  }
  json["span_s"] = rounded(static_cast<double>(totals.span_ns()) * 1e-9);
  if (totals.first_edge_ns()) {
    json["first_edge_ns"] = *totals.first_edge_ns();
    json["last_edge_ns"] = *totals.last_edge_ns();
  }
}

}  // namespace

namespace {

OrderedJson wheel_json(const WheelShape& shape) {
  OrderedJson json;
  json["turns"] = shape.turns;
  json["least_rpm"] = rounded(shape.rpm_least);
  json["greatest_rpm"] = rounded(shape.rpm_greatest);
  json["run_out_deg"] = rounded(shape.run_out_deg);
  json["run_out_phase_deg"] = rounded(shape.run_out_phase_deg);
  json["masked_orders"] = shape.masked_orders;
  json["teeth"] = OrderedJson::array();
  for (const ToothShape& tooth : shape.teeth) {
    OrderedJson one;
    one["tooth"] = tooth.tooth;
    one["error_deg"] = rounded(tooth.error_deg);
    one["uncertainty_deg"] = rounded(tooth.uncertainty_deg);
    one["scatter_deg"] = rounded(tooth.scatter_deg);
    if (tooth.duty) {
      one["duty"] = rounded(*tooth.duty);
    }
    json["teeth"].push_back(std::move(one));
  }
  return json;
}

}  // namespace

std::string summary_json(const SessionTotals& totals, const Engine& engine, const std::optional<WallAnchor>& anchor,
                         const RecordingState& recording) {
  OrderedJson json;
  json["engine"] = engine.name;
  add_times(json, totals, anchor);
  json["items"] = totals.items();
  json["edges"] = totals.edges();
  json["can_frames"] = totals.can_frames();
  json["gaps"] = totals.gaps();
  json["cycles"] = totals.cycles();
  for (std::size_t i = 0; i < SessionTotals::lock_states; ++i) {
    const auto state = static_cast<LockState>(i);
    json["state_s"][std::string(to_string(state))] = rounded(static_cast<double>(totals.state_ns(state)) * 1e-9);
  }
  for (const Severity severity : {Severity::fault, Severity::warning, Severity::info}) {
    json["findings"][std::string(to_string(severity))] = totals.findings(severity);
  }
  json["kinds"] = OrderedJson::object();
  for (const auto& [kind, count] : totals.kinds()) {
    json["kinds"][std::string(to_string(kind))] = count.findings;
  }
  if (totals.listens_to_ecu()) {
    json["ecu_s"]["heard"] = totals.ecu_seconds().heard;
    json["ecu_s"]["compared"] = totals.ecu_seconds().compared;
    json["ecu_s"]["disagreed"] = totals.ecu_seconds().disagreed;
  }
  if (totals.tdc_deviation_deg().count() > 0) {
    json["tdc_deviation_deg"] = mean_json(totals.tdc_deviation_deg());
  }
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    if (totals.cam_phase_deg()[i].count() > 0) {
      json["cam_phase_deg"][engine.cams[i].name] = mean_json(totals.cam_phase_deg()[i]);
    }
  }
  if (totals.wheel()) {
    json["wheel"] = wheel_json(*totals.wheel());
  }
  for (const ClockFit& fit : totals.clocks()) {
    json["clocks"].push_back(clock_json(fit));
  }
  if (totals.sync_margin().count() > 0) {
    json["sync_margin"] = mean_json(totals.sync_margin());
  }
  if (totals.offset_fit().deviation_deg) {
    json["offset_and_delay"] = fit_json(totals.offset_fit());
  }
  json["worst"] = OrderedJson::array();
  for (const Finding& finding : totals.worst()) {
    const auto first = totals.first_host_ns();
    const std::optional<std::int64_t> host = first ? std::optional(*first + finding.session_ns) : std::nullopt;
    json["worst"].push_back(parse_ordered_json(finding_json(finding, wall_of(anchor, host))));
  }
  json["not_watched"] = totals.not_watched();
  json["recording"]["lost_items"] = recording.lost_items;
  json["recording"]["stopped_by"] = recording.stopped_by;
  json["recording"]["next_sequence"] = totals.next_sequence();
  return dump_json(json, 2) + "\n";
}

}  // namespace cw
