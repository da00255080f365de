#include "serve/status_json.hpp"

#include <cmath>

#include "record/observation_text.hpp"
#include "serve/page_files.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

constexpr std::int64_t ns_per_ms = 1'000'000;
constexpr int status_format = 1;

// Three decimals are more than any of these is known to.
OrderedJson number(double value) {
  constexpr double thousand = 1000.0;
  return std::isfinite(value) ? OrderedJson(std::round(value * thousand) / thousand) : OrderedJson();
}

template <typename Value>
OrderedJson number(const std::optional<Value>& value) {
  return value ? number(static_cast<double>(*value)) : OrderedJson();
}

OrderedJson age(const LiveStatus& status, const std::optional<SteadyTime>& then) {
  return then ? number(age_s(status, *then)) : OrderedJson();
}

OrderedJson word_or_null(const std::optional<LockState>& state) {
  return state ? OrderedJson(to_string(*state)) : OrderedJson();
}

OrderedJson engine_json(const Engine& engine) {
  static constexpr std::array basis = {"piston-stop", "verified-mark", "unverified"};
  OrderedJson json;
  json["name"] = engine.name;
  json["offset_basis"] = basis.at(static_cast<std::size_t>(engine.crank.offset_basis));
  json["reference"] = engine.reference.has_value();
  json["cycle_deg"] = engine.cycle_deg;
  json["tdc_warning_deg"] = engine.limits.tdc_warning_deg;
  json["tdc_fault_deg"] = engine.limits.tdc_fault_deg;
  json["margin_warning"] = engine.limits.margin_warning;
  return json;
}

OrderedJson cams_json(const LiveStatus& status) {
  const Engine& engine = status.session->engine;
  OrderedJson cams = OrderedJson::array();
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    const CamPattern& cam = engine.cams[i];
    const bool known = status.second && i < status.second->cam_phase_deg.size();
    OrderedJson json;
    json["name"] = cam.name;
    json["phase_deg"] = known ? number(status.second->cam_phase_deg[i]) : OrderedJson();
    json["fixed"] = cam.fixed();
    json["travel_deg"] = {cam.phaser_min_deg, cam.phaser_max_deg};
    json["warning_deg"] = engine.limits.cam_warning_deg;
    cams.push_back(std::move(json));
  }
  return cams;
}

OrderedJson crank_json(const LiveStatus& status) {
  const std::optional<Second>& second = status.second;
  OrderedJson json;
  // The latest cycle is fresher than the latest second, as long as there are cycles.
  const bool turning = status.cycle && status.now - status.cycle_at < std::chrono::seconds(1);
  json["rpm"] = turning ? number(status.cycle->rpm) : second ? number(second->rpm) : OrderedJson();
  json["sync_margin"] = second ? number(second->sync_margin) : OrderedJson();
  json["tdc_deviation_deg"] = second ? number(second->tdc_deviation_deg) : OrderedJson();
  json["tdc_deviation_spread_deg"] = second ? number(second->tdc_deviation_spread_deg) : OrderedJson();
  json["tdc_uncertainty_deg"] = second ? number(second->tdc_uncertainty_deg) : OrderedJson();
  json["last_edge_age_s"] = age(status, status.last_edge);
  return json;
}

OrderedJson ecu_json(const std::optional<Second>& second) {
  OrderedJson json;
  json["rpm"] = second ? number(second->ecu_rpm) : OrderedJson();
  json["state"] = second ? word_or_null(second->ecu_state) : OrderedJson();
  json["advance_deg"] = second ? number(second->ecu_advance_deg) : OrderedJson();
  json["agrees"] = second && second->ecu_agrees ? OrderedJson(*second->ecu_agrees) : OrderedJson();
  return json;
}

OrderedJson clock_json(const std::optional<Second>& second) {
  OrderedJson json;
  json["offset_ms"] = second ? number(second->clock_offset_ms) : OrderedJson();
  json["skew_ppm"] = second ? number(second->clock_skew_ppm) : OrderedJson();
  json["uncertainty_ms"] = second ? number(second->clock_uncertainty_ms) : OrderedJson();
  return json;
}

OrderedJson sources_json(const LiveStatus& status) {
  OrderedJson sources = OrderedJson::array();
  for (const SourceHealth& source : status.health.sources) {
    OrderedJson json;
    json["driver"] = source.driver;
    json["address"] = source.address;
    json["open"] = source.open;
    json["heard_age_s"] = age(status, source.heard);
    json["bad_inputs"] = source.bad_inputs;
    sources.push_back(std::move(json));
  }
  return sources;
}

OrderedJson recording_json(const LiveStatus& status) {
  const RecordingHealth& recording = status.health.recording;
  OrderedJson json;
  json["recording"] = is_recording(status);
  json["black_box"] = status.session->engine.record.mode == RecordMode::black_box;
  json["folder"] = status.session->folder;
  json["trouble"] = recording.trouble;
  json["lost_items"] = recording.lost_items;
  json["free_bytes"] = recording.free_bytes ? OrderedJson(*recording.free_bytes) : OrderedJson();
  json["writer_age_s"] = number(age_s(status, status.health.writer_done));
  json["waits_for_disk_s"] = number(recording.waits_for_disk_s);
  return json;
}

OrderedJson counts_json(const RunCounts& counts) {
  std::array<std::uint64_t, 3> by_severity{};
  for (const auto& [kind, count] : counts.findings) {
    by_severity.at(static_cast<std::size_t>(kind.second)) += count;
  }
  OrderedJson json;
  json["sessions"] = counts.sessions;
  json["cycles"] = counts.cycles;
  json["edges"] = counts.edges;
  json["can_frames"] = counts.can_frames;
  json["extra_edges"] = counts.extra_edges;
  json["missed_edges"] = counts.missed_edges;
  json["lost_items"] = counts.lost_items;
  json["unrecorded_items"] = counts.unrecorded_items;
  for (const Severity severity : {Severity::info, Severity::warning, Severity::fault}) {
    json["findings"][std::string(to_string(severity))] = by_severity.at(static_cast<std::size_t>(severity));
  }
  return json;
}

OrderedJson event_json(const LiveStatus& status) {
  OrderedJson json;
  json["format"] = status_format;
  json["program"] = status.program;
  json["page"] = page_version();
  json["now"] = rfc3339(status.now_wall_ns, 3);
  json["now_ms"] = status.now_wall_ns / ns_per_ms;
  json["started"] = rfc3339(status.started_wall_ns, 3);
  json["session_started"] = rfc3339(status.session_wall_ns, 3);
  json["engine"] = engine_json(status.session->engine);
  json["state"] = to_string(status.state);
  json["state_age_s"] = number(age_s(status, status.state_since));
  json["stale"] = is_stale(status);
  json["told_age_s"] = age(status, status.told);
  json["stopping"] = status.stopping;
  json["gravest"] = to_string(gravest_lately(status));
  json["crank"] = crank_json(status);
  json["cams"] = cams_json(status);
  json["ecu"] = ecu_json(status.second);
  json["clock"] = clock_json(status.second);
  json["sources"] = sources_json(status);
  json["recording"] = recording_json(status);
  json["counts"] = counts_json(status.counts);
  json["not_watched"] = status.health.not_watched;
  return json;
}

OrderedJson findings_of(const LiveStatus& status) {
  OrderedJson findings = OrderedJson::array();
  for (const ToldFinding& told : status.findings) {
    OrderedJson json;
    json["open"] = told.is_open();
    json["over"] = told.over_ns ? OrderedJson(rfc3339(*told.over_ns, 3)) : OrderedJson();
    json["told"] = rfc3339(told.wall_ns, 3);
    json["finding"] = parse_ordered_json(finding_json(told.finding, told.wall_ns));
    findings.push_back(std::move(json));
  }
  return findings;
}

OrderedJson row_json(const PlotRow& row, std::size_t cams) {
  const Second& second = row.second;
  OrderedJson json = OrderedJson::array();
  json.push_back(row.wall_ns / ns_per_ms);
  json.push_back(static_cast<int>(second.state));
  for (const auto& value :
       {second.rpm, second.tdc_deviation_deg, second.tdc_uncertainty_deg, second.sync_margin, second.ecu_rpm}) {
    json.push_back(number(value));
  }
  for (std::size_t i = 0; i < cams; ++i) {
    json.push_back(i < second.cam_phase_deg.size() ? number(second.cam_phase_deg[i]) : OrderedJson());
  }
  return json;
}

}  // namespace

std::string status_json(const LiveStatus& status) {
  OrderedJson json = event_json(status);
  json["findings"] = findings_of(status);
  return dump_json(json);
}

std::string status_event_json(const LiveStatus& status) {
  return dump_json(event_json(status));
}

std::string findings_json(const LiveStatus& status) {
  return dump_json(findings_of(status));
}

std::string rows_json(const LiveStatus& status, const std::vector<PlotRow>& rows) {
  const auto& cams = status.session->engine.cams;
  OrderedJson json;
  json["first"] = rows.empty() ? status.next_row : rows.front().number;
  json["cams"] = OrderedJson::array();
  for (const CamPattern& cam : cams) {
    json["cams"].push_back(cam.name);
  }
  json["rows"] = OrderedJson::array();
  for (const PlotRow& row : rows) {
    json["rows"].push_back(row_json(row, cams.size()));
  }
  return dump_json(json);
}

}  // namespace cw
