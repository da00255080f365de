#include "config/baseline_file.hpp"

#include <toml++/toml.h>

#include <array>
#include <charconv>
#include <optional>

#include "config/table_reader.hpp"
#include "config/text_file.hpp"

namespace cw {

namespace {

constexpr int baseline_format = 1;
constexpr std::size_t words_max = 200;
constexpr double band_least_rpm = 1;
constexpr Range any_number = {-1e9, 1e9};
constexpr Range any_uncertainty = {0, 1e9};

std::string quoted(std::string_view text) {
  std::string out = "\"";
  for (const char letter : text) {
    const auto byte = static_cast<unsigned char>(letter);
    if (letter == '"' || letter == '\\') {
      out += '\\';
    }
    out += byte < 0x20 || byte == 0x7F ? ' ' : letter;
  }
  return out + '"';
}

std::string number(double value) {
  constexpr int decimals = 4;
  std::array<char, 400> buffer{};
  const auto end =
      std::to_chars(buffer.data(), buffer.data() + buffer.size(), value, std::chars_format::fixed, decimals);
  return {buffer.data(), end.ptr};
}

void append(std::string& out, const std::string& key, const std::string& value) {
  out += key + " = " + value + "\n";
}

void append_text(std::string& out, const std::string& key, const std::string& text) {
  if (!text.empty()) {
    append(out, key, quoted(text));
  }
}

void append(std::string& out, const std::string& key, const std::string& unit, const BaselineNumber& value) {
  append(out, key + unit, number(value.value));
  append(out, key + "_uncertainty" + unit, number(value.uncertainty));
}

std::optional<BaselineNumber> read_number(const TableReader& in, const std::string& key, const std::string& unit) {
  const auto value = in.number(key + unit, any_number);
  const auto uncertainty = in.number(key + "_uncertainty" + unit, any_uncertainty);
  if (value && !uncertainty) {
    in.complain(key + "_uncertainty" + unit, "a number from 0 beside " + key + unit);
  }
  return value && uncertainty ? std::optional(BaselineNumber{*value, *uncertainty}) : std::nullopt;
}

std::vector<TableReader> entries(const toml::table& root, const std::string& name, Complaints& complaints) {
  std::vector<TableReader> readers;
  const toml::array* tables = root.get_as<toml::array>(name);
  for (std::size_t i = 0; tables != nullptr && i < tables->size(); ++i) {
    if (const toml::table* table = tables->get_as<toml::table>(i)) {
      readers.emplace_back(*table, name + "[" + std::to_string(i + 1) + "]", complaints);
    } else {
      complaints.add(line_of(*tables), name, "sections [[" + name + "]]", "something else");
    }
  }
  return readers;
}

BaselineBand read_band(const TableReader& in) {
  BaselineBand band;
  band.from_rpm = in.number("from_rpm", {0, 100000}).value_or(0);
  band.to_rpm = in.number("to_rpm", {band.from_rpm + band_least_rpm, 100000}).value_or(0);
  if (!in.has("from_rpm") || !in.has("to_rpm")) {
    in.complain("to_rpm", "from_rpm and to_rpm");
  }
  band.cycles = static_cast<std::uint32_t>(in.whole("cycles", 0, 1'000'000'000).value_or(0));
  band.tdc_deviation_deg = read_number(in, "tdc_deviation", "_deg");
  band.spread_deg = in.number("spread_deg", any_uncertainty).value_or(0);
  band.sync_margin = read_number(in, "sync_margin", "");
  return band;
}

void read_lists(const toml::table& root, Baseline& baseline, Complaints& complaints) {
  for (const TableReader& in : entries(root, "band", complaints)) {
    baseline.bands.push_back(read_band(in));
  }
  for (const TableReader& in : entries(root, "cam", complaints)) {
    const auto phase = read_number(in, "phase", "_deg");
    const auto name = in.text("name", words_max);
    if (!phase || !name) {
      in.complain("phase_deg", "name and phase_deg");
    } else {
      baseline.cams.push_back({*name, *phase});
    }
  }
  for (const TableReader& in : entries(root, "tooth", complaints)) {
    const auto error = read_number(in, "error", "_deg");
    const auto tooth = in.whole("number", 1, 1000);
    if (!error || !tooth) {
      in.complain("error_deg", "number and error_deg");
    } else {
      baseline.teeth.push_back({*tooth, *error});
    }
  }
}

}  // namespace

std::string baseline_text(const Baseline& baseline) {
  std::string out =
      "# A baseline of crankwitness: what this installation was like when it was found good. Angles are crank\n"
      "# degrees, + is late; uncertainties are 95 % half widths.\n";
  append(out, "format", std::to_string(baseline_format));
  append_text(out, "program", baseline.program);
  append_text(out, "engine_name", baseline.engine_name);
  append_text(out, "wall_time", baseline.wall_time);
  append(out, "trigger_offset_deg", number(baseline.trigger_offset_deg));
  if (baseline.offset_deg && baseline.delay_us) {
    append(out, "offset", "_deg", *baseline.offset_deg);
    append(out, "delay", "_us", *baseline.delay_us);
  }
  for (const BaselineBand& band : baseline.bands) {
    out += "\n[[band]]\n";
    append(out, "from_rpm", number(band.from_rpm));
    append(out, "to_rpm", number(band.to_rpm));
    append(out, "cycles", std::to_string(band.cycles));
    if (band.tdc_deviation_deg) {
      append(out, "tdc_deviation", "_deg", *band.tdc_deviation_deg);
      append(out, "spread_deg", number(band.spread_deg));
    }
    if (band.sync_margin) {
      append(out, "sync_margin", "", *band.sync_margin);
    }
  }
  for (const BaselineCam& cam : baseline.cams) {
    out += "\n[[cam]]\n";
    append(out, "name", quoted(cam.name));
    append(out, "phase", "_deg", cam.phase_deg);
  }
  for (const BaselineTooth& tooth : baseline.teeth) {
    out += "\n[[tooth]]\n";
    append(out, "number", std::to_string(tooth.number));
    append(out, "error", "_deg", tooth.error_deg);
  }
  return out;
}

std::variant<Baseline, ConfigError> parse_baseline(std::string_view text, std::string_view file_name) {
  Complaints complaints(file_name);
  const std::optional<toml::table> root = parse_toml(text, complaints);
  if (!root) {
    return ConfigError{complaints.first()};
  }
  const TableReader in(*root, "baseline", complaints);
  Baseline baseline;
  if (!in.has("format")) {
    in.complain("format", "a baseline that crankwitness wrote: format = " + std::to_string(baseline_format));
  }
  in.whole("format", baseline_format, baseline_format);
  baseline.program = in.text("program", words_max).value_or("");
  baseline.engine_name = in.text("engine_name", words_max).value_or("");
  baseline.wall_time = in.text("wall_time", words_max).value_or("");
  baseline.trigger_offset_deg = in.number("trigger_offset_deg", any_number).value_or(0);
  baseline.offset_deg = read_number(in, "offset", "_deg");
  baseline.delay_us = read_number(in, "delay", "_us");
  read_lists(*root, baseline, complaints);
  if (!complaints.empty()) {
    return ConfigError{complaints.first()};
  }
  return baseline;
}

}  // namespace cw
