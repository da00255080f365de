#include "serve/metrics.hpp"

#include <prometheus/text_serializer.h>

#include <algorithm>
#include <deque>
#include <set>
#include <utility>
#include <vector>

#include "compare/attribution.hpp"

namespace cw {

namespace {

using prometheus::ClientMetric;
using prometheus::MetricFamily;
using prometheus::MetricType;
using Labels = std::vector<ClientMetric::Label>;

MetricFamily family(const char* name, const char* help, MetricType type) {
  return {name, help, type, {}};
}

void add(MetricFamily& to, double value, Labels labels = {}) {
  ClientMetric metric;
  metric.label = std::move(labels);
  metric.counter.value = value;
  metric.gauge.value = value;
  to.metric.push_back(std::move(metric));
}

class Families {
 public:
  // The family that was begun last; one without a line is left out.
  MetricFamily& gauge(const char* name, const char* help) { return begin(family(name, help, MetricType::Gauge)); }
  MetricFamily& counter(const char* name, const char* help) { return begin(family(name, help, MetricType::Counter)); }
  void gauge(const char* name, const char* help, double value) { add(gauge(name, help), value); }
  void gauge(const char* name, const char* help, const std::optional<double>& value) {
    if (value) {
      add(gauge(name, help), *value);
    }
  }
  void counter(const char* name, const char* help, std::uint64_t value) {
    add(counter(name, help), static_cast<double>(value));
  }
  std::string text() const {
    std::vector<MetricFamily> known;
    for (const MetricFamily& each : families_) {
      if (!each.metric.empty()) {
        known.push_back(each);
      }
    }
    return prometheus::TextSerializer().Serialize(known);
  }

 private:
  MetricFamily& begin(MetricFamily begun) {
    families_.push_back(std::move(begun));
    return families_.back();
  }
  std::deque<MetricFamily> families_;  // what was begun stays where it is
};

double seconds_of(std::int64_t wall_ns) {
  return static_cast<double>(wall_ns) * 1e-9;
}

std::optional<double> age(const LiveStatus& status, const std::optional<SteadyTime>& then) {
  return then ? std::optional(age_s(status, *then)) : std::nullopt;
}

void add_identity(const LiveStatus& status, Families& out) {
  const std::string version = status.program.substr(status.program.rfind(' ') + 1);
  add(out.gauge("crankwitness_build_info", "Always 1; the version of the program."), 1, {{"version", version}});
  add(out.gauge("crankwitness_engine_info", "Always 1; the engine's name in the engine file."), 1,
      {{"engine", status.session->engine.name}});
  out.gauge("process_start_time_seconds", "When the program began, since 1970.", seconds_of(status.started_wall_ns));
  out.gauge("crankwitness_session_start_time_seconds", "When the session began, since 1970.",
            seconds_of(status.session_wall_ns));
  out.counter("crankwitness_sessions_total", "Sessions begun.", status.counts.sessions);
}

void add_position(const LiveStatus& status, Families& out) {
  MetricFamily& states = out.gauge("crankwitness_state", "1 for the lock state it is in, 0 for the others.");
  for (const LockState state : {LockState::no_signal, LockState::searching, LockState::revolution_locked,
                                LockState::cycle_locked, LockState::lost}) {
    add(states, state == status.state ? 1 : 0, {{"state", std::string(to_string(state))}});
  }
  out.gauge("crankwitness_analysis_age_seconds", "Since the analysis last said anything; it does so once a second.",
            age(status, status.told));
  out.gauge("crankwitness_last_edge_age_seconds", "Since an edge last came, on any channel.",
            age(status, status.last_edge));
  if (!status.second || is_stale(status)) {
    return;  // an old number must not look live
  }
  const Second& second = *status.second;
  out.gauge("crankwitness_engine_speed_rpm", "Engine speed, mean of a second.", second.rpm);
  out.gauge("crankwitness_sync_margin_ratio",
            "0: gap and tooth at the limit of confusion, 1: ideal; least of a second.", second.sync_margin);
  out.gauge("crankwitness_tdc_deviation_degrees",
            "Of the ECU's mark from where the engine file expects it, crank degrees, positive is late.",
            second.tdc_deviation_deg);
  out.gauge("crankwitness_tdc_uncertainty_degrees", "95 % half width of the TDC, relative to the wheel.",
            second.tdc_uncertainty_deg);
  MetricFamily& phases =
      out.gauge("crankwitness_cam_phase_degrees", "Of a cam's edges from park, crank degrees, positive is late.");
  for (std::size_t i = 0; i < std::min(second.cam_phase_deg.size(), status.session->engine.cams.size()); ++i) {
    if (second.cam_phase_deg[i]) {
      add(phases, *second.cam_phase_deg[i], {{"cam", status.session->engine.cams[i].name}});
    }
  }
  out.gauge("crankwitness_ecu_speed_rpm", "Engine speed as the ECU says it on CAN.", second.ecu_rpm);
  out.gauge("crankwitness_ecu_advance_degrees", "Spark advance as the ECU says it on CAN.", second.ecu_advance_deg);
  out.gauge("crankwitness_ecu_agrees", "Whether what the ECU says agrees with what is seen: 1, else 0.",
            second.ecu_agrees ? std::optional<double>(*second.ecu_agrees ? 1 : 0) : std::nullopt);
}

// Every kind that there is from the beginning on, so that the first of it is an increase.
void add_findings(const LiveStatus& status, Families& out) {
  std::set<std::pair<FindingKind, Severity>> kinds;
  for (const AttributionRow& row : attribution_table()) {
    kinds.emplace(row.kind, row.severity);
  }
  for (const auto& [kind, count] : status.counts.findings) {
    kinds.insert(kind);
  }
  MetricFamily& findings = out.counter("crankwitness_findings_total", "Findings, by kind and severity.");
  for (const auto& kind : kinds) {
    const auto count = status.counts.findings.find(kind);
    add(findings, count == status.counts.findings.end() ? 0 : static_cast<double>(count->second),
        {{"kind", std::string(to_string(kind.first))}, {"severity", std::string(to_string(kind.second))}});
  }
  MetricFamily& open = out.gauge("crankwitness_open_findings", "Conditions that last at this moment, by severity.");
  for (const Severity severity : {Severity::info, Severity::warning, Severity::fault}) {
    const auto count = std::count_if(status.findings.begin(), status.findings.end(), [&](const ToldFinding& told) {
      return told.is_open() && told.finding.severity == severity;
    });
    add(open, static_cast<double>(count), {{"severity", std::string(to_string(severity))}});
  }
}

void add_counts(const RunCounts& counts, Families& out) {
  out.counter("crankwitness_cycles_total", "Engine cycles with a known TDC.", counts.cycles);
  out.counter("crankwitness_edges_total", "Edges that came, on all channels.", counts.edges);
  out.counter("crankwitness_crank_edges_total", "Edges of the crank wheel that were analysed.", counts.crank_edges);
  out.counter("crankwitness_extra_edges_total", "Crank edges that were too many.", counts.extra_edges);
  out.counter("crankwitness_missed_edges_total", "Teeth that gave no edge.", counts.missed_edges);
  out.counter("crankwitness_can_frames_total", "CAN frames that came.", counts.can_frames);
  out.counter("crankwitness_lost_items_total", "Edges and frames lost before they could be analysed.",
              counts.lost_items);
  out.counter("crankwitness_unrecorded_items_total", "Edges and frames analysed but not recorded.",
              counts.unrecorded_items);
}

void add_health(const LiveStatus& status, Families& out) {
  const RecordingHealth& recording = status.health.recording;
  out.gauge("crankwitness_recording", "1 while what comes is being written to the disk, else 0.",
            is_recording(status) ? 1.0 : 0.0);
  if (recording.free_bytes) {
    out.gauge("crankwitness_disk_free_bytes", "Free on the disk that is recorded to.",
              static_cast<double>(*recording.free_bytes));
  }
  MetricFamily& open = out.gauge("crankwitness_source_open", "1 while the source is there, else 0.");
  MetricFamily& bad = out.counter("crankwitness_source_bad_inputs_total", "Lines or frames that could not be read.");
  const auto& sources = status.health.sources;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    const Labels labels = {{"number", std::to_string(i)}, {"source", sources[i].driver + ":" + sources[i].address}};
    add(open, sources[i].open ? 1 : 0, labels);
    add(bad, static_cast<double>(sources[i].bad_inputs), labels);
  }
}

void add_serving(const ServeCounts& counts, Families& out) {
  out.gauge("crankwitness_pages_open", "Live pages that are open.", static_cast<double>(counts.pages_open));
  out.counter("crankwitness_pages_dropped_total", "Live pages dropped, since they read too slowly.",
              counts.pages_dropped);
  out.counter("crankwitness_http_requests_total", "Requests answered.", counts.requests);
  out.counter("crankwitness_http_requests_refused_total", "Requests answered with an error.", counts.refused);
}

}  // namespace

std::string metrics_text(const LiveStatus& status, const ServeCounts& counts) {
  Families out;
  add_identity(status, out);
  add_position(status, out);
  add_findings(status, out);
  add_counts(status.counts, out);
  add_health(status, out);
  add_serving(counts, out);
  return out.text();
}

}  // namespace cw
