#include <cmath>

#include "cli/offset.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

double rounded(double value) {
  return std::round(value * 1e4) / 1e4;
}

OrderedJson estimate_json(const Estimate& estimate) {
  OrderedJson json;
  json["value"] = rounded(estimate.value);
  json["half_width"] = rounded(estimate.half_width);
  return json;
}

std::string basis_name(OffsetBasis basis) {
  for (const auto& [name, value] : offset_basis_names()) {
    if (value == basis) {
      return name;
    }
  }
  return {};
}

OrderedJson holds_json(const OffsetResult& result) {
  OrderedJson all = OrderedJson::array();
  for (std::size_t i = 0; i < result.holds.size(); ++i) {
    const Hold& hold = result.holds[i];
    OrderedJson json;
    json["rpm"] = rounded(hold.rpm);
    json["seconds"] = rounded(static_cast<double>(hold.end_ns - hold.start_ns) * 1e-9);
    json["cycles"] = hold.readings;
    json["deviation_deg"] = rounded(hold.deviation_deg);
    if (i < result.fit.residuals_deg.size()) {
      json["off_the_line_deg"] = rounded(result.fit.residuals_deg[i]);
    }
    json["left_out"] = i < result.fit.left_out.size() && result.fit.left_out[i];
    all.push_back(std::move(json));
  }
  return all;
}

OrderedJson readings_json(const OffsetResult& result) {
  OrderedJson all = OrderedJson::array();
  for (const LightReading& reading : result.readings) {
    OrderedJson json;
    json["seen_deg"] = rounded(reading.seen_deg);
    json["commanded_deg"] = rounded(reading.commanded_deg);
    if (reading.rpm) {
      json["rpm"] = rounded(*reading.rpm);
    }
    json["deviation_deg"] = rounded(lateness_deg(reading));
    all.push_back(std::move(json));
  }
  return all;
}

void add_entries(OrderedJson& json, const OffsetOptions& options, const OffsetResult& result) {
  if (const auto entry = entry_of(options, result)) {
    json["enter"]["offset_deg"] = estimate_json(entry->new_deg);
    json["enter"]["raising"] = entry->raising == Raising::retards ? "retards" : "advances";
    if (entry->only_at_rpm) {
      json["enter"]["right_at_rpm_only"] = rounded(*entry->only_at_rpm);
    }
  }
  if (const auto delay = delay_entry_of(options, result)) {
    json["enter"]["delay_us"] = estimate_json(*delay);
  }
  if (json.contains("enter")) {
    json["check_after_entry"] = checks_after_entry();
  }
  json["caution"] = offset_cautions();
}

}  // namespace

std::string offset_json(const OffsetOptions& options, const OffsetResult& result) {
  OrderedJson json;
  if (!result.engine_name.empty()) {
    json["engine"] = result.engine_name;
  }
  const OffsetFit& fit = result.fit;
  json["from"] = result.from_light ? "timing-light" : "reference";
  json["verdict"] = to_string(fit.verdict);
  json["interval"] = result.from_light ? "bounds" : "95 percent";
  if (fit.deviation_deg) {
    json["deviation_deg"] = estimate_json(*fit.deviation_deg);
    json["rpm"]["least"] = rounded(fit.least_rpm);
    json["rpm"]["mean"] = rounded(fit.mean_rpm);
    json["rpm"]["greatest"] = rounded(fit.greatest_rpm);
  }
  if (fit.offset_deg) {
    json["offset_deg"] = estimate_json(*fit.offset_deg);
    json["delay_us"] = estimate_json(*fit.delay_us);
  }
  if (fit.offset_deg && !result.from_light) {
    json["residual_deg"] = rounded(fit.residual_deg);
    json["runs_test_p"] = rounded(fit.runs_p);
  }
  if (result.counting) {
    json["whole_turns"] = result.counting->turns;
    json["whole_teeth"] = result.counting->teeth;
  }
  json["compression_stroke_verified"] = result.cycle_known;
  json["offset_basis"] = basis_name(result.basis);
  json[result.from_light ? "readings" : "holds"] = result.from_light ? readings_json(result) : holds_json(result);
  add_entries(json, options, result);
  return dump_json(json, 2) + "\n";
}

}  // namespace cw
