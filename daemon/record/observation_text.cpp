#include "record/observation_text.hpp"

#include <array>
#include <charconv>
#include <cmath>

#include "record/wall_time.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

constexpr int plain_decimals = 3;
constexpr int degree_decimals = 4;

class JsonLine {
 public:
  void text(std::string_view key, std::string_view value) {
    begin(key);
    append_json_string(line_, value);
  }
  void text_if_any(std::string_view key, std::string_view value) {
    if (!value.empty()) {
      text(key, value);
    }
  }
  template <typename Integer>
  void integer(std::string_view key, Integer value) {
    begin(key);
    line_ += std::to_string(value);
  }
  void number_if_known(std::string_view key, const std::optional<double>& value) {
    if (value && std::isfinite(*value)) {
      begin(key);
      append_fixed(line_, *value, plain_decimals);
    }
  }
  void raw(std::string_view key, std::string_view json) {
    begin(key);
    line_ += json;
  }
  std::string finish() && { return line_.empty() ? "{}" : std::move(line_) + '}'; }

 private:
  void begin(std::string_view key) {
    line_ += line_.empty() ? "{" : ",";
    append_json_string(line_, key);
    line_ += ':';
  }
  std::string line_;
};

std::string values_json(const Finding& finding) {
  JsonLine values;
  for (const auto& [name, value] : finding.values) {
    values.number_if_known(name, value);
  }
  return std::move(values).finish();
}

std::string list_json(const std::vector<std::string>& texts) {
  std::string out = "[";
  for (const std::string& text : texts) {
    out += out.size() > 1 ? "," : "";
    append_json_string(out, text);
  }
  return out + "]";
}

std::string evidence_json(const Finding& finding) {
  JsonLine evidence;
  evidence.integer("first_sequence", finding.evidence_first);
  evidence.integer("last_sequence", finding.evidence_last);
  return std::move(evidence).finish();
}

void append_cell(std::string& row, const std::optional<double>& value, int decimals) {
  if (value) {
    append_fixed(row, *value, decimals);
  }
}

void append_phases(std::string& row, const std::vector<std::optional<double>>& phases, std::size_t cams) {
  for (std::size_t i = 0; i < cams; ++i) {
    row += ',';
    if (i < phases.size()) {
      append_cell(row, phases[i], degree_decimals);
    }
  }
}

void append_ecu(std::string& row, const Second& second) {
  row += ',';
  append_cell(row, second.ecu_rpm, plain_decimals);
  row += ',';
  row += second.ecu_state ? to_string(*second.ecu_state) : "";
  row += ',';
  append_cell(row, second.ecu_advance_deg, plain_decimals);
  row += ',';
  row += !second.ecu_agrees ? "" : *second.ecu_agrees ? "yes" : "no";
  for (const auto* value : {&second.clock_offset_ms, &second.clock_skew_ppm, &second.clock_uncertainty_ms}) {
    row += ',';
    append_cell(row, *value, plain_decimals);
  }
}

void append_phase_names(std::string& header, const Engine& engine) {
  for (const CamPattern& cam : engine.cams) {
    header += ",phase_" + cam.name + "_deg";
  }
}

}  // namespace

bool append_fixed(std::string& out, double value, int decimals) {
  if (!std::isfinite(value)) {
    return false;
  }
  constexpr std::size_t longest = 350;  // 309 digits before the point
  std::array<char, longest> text{};
  const auto [end, problem] =
      std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed, decimals);
  if (problem != std::errc()) {
    return false;
  }
  std::string_view digits(text.data(), static_cast<std::size_t>(end - text.data()));
  if (digits.front() == '-' && digits.find_first_not_of("-0.") == std::string_view::npos) {
    digits.remove_prefix(1);
  }
  out += digits;
  return true;
}

void append_json_string(std::string& out, std::string_view text) {
  out += dump_json(Json(text));
}

std::string finding_json(const Finding& finding, std::optional<std::int64_t> wall_ns) {
  JsonLine line;
  line.integer("id", finding.id);
  line.text("phase", to_string(finding.phase));
  line.text("kind", to_string(finding.kind));
  line.text("severity", to_string(finding.severity));
  line.text("clock", finding.clock);
  line.integer("start_ns", finding.start_ns);
  line.integer("end_ns", finding.end_ns);
  line.integer("session_ns", finding.session_ns);
  if (wall_ns) {
    line.text("wall_time", rfc3339(*wall_ns, 3));
  }
  if (finding.cycle) {
    line.integer("cycle", *finding.cycle);
  }
  line.number_if_known("angle_deg", finding.angle_deg);
  line.text_if_any("channel", finding.channel);
  if (finding.tooth) {
    line.integer("tooth", *finding.tooth);
  }
  line.number_if_known("rpm", finding.rpm);
  if (!finding.values.empty()) {
    line.raw("values", values_json(finding));
  }
  line.text("attribution", to_string(finding.attribution));
  line.text_if_any("reason", finding.reason);
  if (!finding.next_checks.empty()) {
    line.raw("next_checks", list_json(finding.next_checks));
  }
  line.text_if_any("code", finding.code);
  line.text_if_any("title", finding.title);
  line.raw("evidence", evidence_json(finding));
  line.integer("count", finding.count);
  return std::move(line).finish();
}

std::string trend_header(const Engine& engine) {
  std::string header =
      "session_s,source_ns,state,rpm,sync_margin,tdc_deviation_deg,tdc_deviation_spread_deg,tdc_uncertainty_deg";
  append_phase_names(header, engine);
  return header +
         ",cycles,crank_edges,extra_edges,missed_edges,lost_items,ecu_rpm,ecu_state,ecu_advance_deg,ecu_agrees,"
         "clock_offset_ms,clock_skew_ppm,clock_uncertainty_ms\n";
}

std::string trend_row(const Second& second, std::size_t cams) {
  std::string row;
  constexpr std::int64_t millisecond_ns = 1'000'000;
  const std::int64_t milliseconds = second.session_ns / millisecond_ns;
  const std::string fraction = std::to_string(1000 + milliseconds % 1000);
  row += std::to_string(milliseconds / 1000) + '.' + fraction.substr(1);
  row += ',' + std::to_string(second.source_ns) + ',';
  row += to_string(second.state);
  row += ',';
  append_cell(row, second.rpm, plain_decimals);
  row += ',';
  append_cell(row, second.sync_margin, plain_decimals);
  for (const auto* value : {&second.tdc_deviation_deg, &second.tdc_deviation_spread_deg, &second.tdc_uncertainty_deg}) {
    row += ',';
    append_cell(row, *value, degree_decimals);
  }
  append_phases(row, second.cam_phase_deg, cams);
  for (const std::uint32_t count :
       {second.cycles, second.crank_edges, second.extra_edges, second.missed_edges, second.lost_items}) {
    row += ',' + std::to_string(count);
  }
  append_ecu(row, second);
  return row + '\n';
}

std::string cycles_header(const Engine& engine) {
  std::string header = "cycle,tdc_ns,rpm,uncertainty_deg,reference_deviation_deg,state";
  append_phase_names(header, engine);
  return header + '\n';
}

std::string cycles_row(const Cycle& cycle, std::size_t cams) {
  std::string row = std::to_string(cycle.number) + ',' + std::to_string(cycle.tdc_ns) + ',';
  append_cell(row, cycle.rpm, plain_decimals);
  row += ',';
  append_cell(row, cycle.uncertainty_deg, degree_decimals);
  row += ',';
  append_cell(row, cycle.reference_deviation_deg, degree_decimals);
  row += ',';
  row += to_string(cycle.state);
  append_phases(row, cycle.cam_phase_deg, cams);
  return row + '\n';
}

}  // namespace cw
