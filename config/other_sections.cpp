#include <algorithm>
#include <array>
#include <cstddef>
#include <optional>
#include <set>

#include "config/sections.hpp"

namespace cw {

namespace {

constexpr std::array edge_words = {Word<ActiveEdge>{"falling", ActiveEdge::falling},
                                   Word<ActiveEdge>{"rising", ActiveEdge::rising}};
constexpr std::array mark_words = {Word<ReferenceMark>{"tdc", ReferenceMark::tdc},
                                   Word<ReferenceMark>{"spark", ReferenceMark::spark}};
constexpr double delay_us_max = 10'000;
constexpr Range delay_ms = {0, 1000};

std::string place(const TableReader& in, std::string_view key) {
  return std::string(key) + ", line " + std::to_string(in.line(key));
}

void read_period(const TableReader& in, double cycle_deg, Reference& reference) {
  reference.period_deg =
      in.one_of("period_deg", turn_periods_deg, "720 (once a cycle) or 360 (once a turn, wasted spark)")
          .value_or(cycle_deg);
  if (reference.period_deg > cycle_deg) {
    in.complain("period_deg", "at most one engine cycle (engine.cycle_deg = 360)");
  }
}

void read_advance(const TableReader& in, Reference& reference) {
  const Range range = {-60, 90};
  if (in.has("advance_deg") && in.has("advance_from")) {
    in.complain("advance_from", "either advance_deg or advance_from", "both (" + place(in, "advance_deg") + ")");
  }
  reference.advance_deg = in.number("advance_deg", range).value_or(0);
  reference.advance_from = in.text("advance_from", name_bytes_max).value_or("");
  if (reference.marks == ReferenceMark::tdc) {
    const std::string expected = "no advance where the pulse marks top dead centre (" + place(in, "marks") + ")";
    if (in.has("advance_from")) {
      in.complain("advance_from", expected);
    }
    if (reference.advance_deg != 0) {
      in.complain("advance_deg", expected);
    }
  } else if (!in.has("advance_deg") && !in.has("advance_from")) {
    in.complain("advance_deg", "advance_deg or advance_from where the pulse marks the spark", "neither");
  }
}

// `key` of the channels table must be a channel that the file uses; the device's name must be its own.
void read_channel_names(const TableReader& in, const std::vector<ChannelUse>& uses, SourceSpec& source) {
  const toml::node* node = in.node("channels");
  if (node == nullptr) {
    return;
  }
  const toml::table* table = node->as_table();
  if (table == nullptr) {
    in.complain("channels", "a table { channel = \"device's name\", ... }");
    return;
  }
  std::set<std::string> taken;
  for (const auto& [key, value] : *table) {
    const std::string channel(key.str());
    const std::string at = "channels." + printable(channel);
    const bool used = std::any_of(uses.begin(), uses.end(), [&](const ChannelUse& u) { return u.channel == channel; });
    if (!used) {
      std::string known;
      for (const ChannelUse& use : uses) {
        known += (known.empty() ? "" : ", ") + use.channel;
      }
      in.complain_at_line(line_of(value), at, "a channel of this file (" + known + ")", "an unknown one");
      return;
    }
    const auto name = value.value_exact<std::string_view>();
    if (!name || name->empty() || name->size() > channel_bytes_max) {
      in.complain_at_line(line_of(value), at, "the device's name of the channel, text of 1 to 64 bytes",
                          found_text(&value));
      return;
    }
    if (!taken.insert(std::string(*name)).second) {
      in.complain_at_line(line_of(value), at, "a device channel of its own", found_text(&value) + " a second time");
      return;
    }
    source.channels.emplace_back(channel, *name);
  }
}

void read_ecu_limits(const TableReader& in, Limits& limits) {
  const Range angles = {0, 180, true, false};
  const Range times_ms = {10, 60'000};
  limits.ecu_speed_pct = in.number("ecu_speed_pct", {0, 100, true, false}).value_or(limits.ecu_speed_pct);
  limits.ecu_speed_rpm = in.number("ecu_speed_rpm", {0, 1000}).value_or(limits.ecu_speed_rpm);
  limits.ecu_advance_deg = in.number("ecu_advance_deg", angles).value_or(limits.ecu_advance_deg);
  limits.ecu_cam_deg = in.number("ecu_cam_deg", angles).value_or(limits.ecu_cam_deg);
  limits.ecu_hold_ms = in.number("ecu_hold_ms", times_ms).value_or(limits.ecu_hold_ms);
  limits.ecu_latency_ms = in.number("ecu_latency_ms", {0, 1000}).value_or(limits.ecu_latency_ms);
  limits.ecu_stale_ms = in.number("ecu_stale_ms", times_ms).value_or(limits.ecu_stale_ms);
  limits.ecu_silent_ms = in.number("ecu_silent_ms", times_ms).value_or(limits.ecu_silent_ms);
}

}  // namespace

double read_delay(const TableReader& in) {
  return in.number("delay_us", {0, delay_us_max}).value_or(0);
}

ActiveEdge read_active_edge(const TableReader& in) {
  if (!in.has("active_edge")) {
    in.complain("active_edge", "\"falling\" or \"rising\"");
  }
  return in.word<ActiveEdge>("active_edge", edge_words).value_or(ActiveEdge::falling);
}

void check_ascending(const TableReader& in, std::string_view key, const std::vector<double>& values, double step_min) {
  for (std::size_t i = 1; i < values.size(); ++i) {
    if (values[i] - values[i - 1] < step_min) {
      in.complain_at(key, i,
                     "an angle at least " + number_text(step_min) + " above the one before it (" +
                         number_text(values[i - 1]) + ")",
                     number_text(values[i]));
      return;
    }
  }
}

std::string read_channel(const TableReader& in, const std::string& fallback, const std::string& role,
                         std::vector<ChannelUse>& uses) {
  std::string channel = in.text("channel", channel_bytes_max).value_or(fallback);
  if (channel.find_first_of(" ,\"'") != std::string::npos) {
    in.complain("channel", "a name without spaces, commas and quotes");
  }
  for (const ChannelUse& use : uses) {
    if (use.channel == channel) {
      in.complain(
          "channel", "a channel of its own for " + role,
          '"' + printable(channel) + "\", which belongs to " + use.role + " (line " + std::to_string(use.line) + ")");
    }
  }
  uses.push_back({channel, role, in.line("channel")});
  return channel;
}

Reference read_reference_section(const TableReader& in, double cycle_deg) {
  Reference reference;
  reference.active_edge = read_active_edge(in);
  if (!in.has("marks")) {
    in.complain("marks", "\"tdc\" or \"spark\"");
  }
  reference.marks = in.word<ReferenceMark>("marks", mark_words).value_or(ReferenceMark::spark);
  read_period(in, cycle_deg, reference);
  read_advance(in, reference);
  reference.delay_us = read_delay(in);
  return reference;
}

SourceSpec read_source_section(const TableReader& in, const std::vector<ChannelUse>& uses) {
  SourceSpec source;
  if (!in.has("driver")) {
    in.complain("driver", "the name of a driver, for example \"serial\"");
  }
  if (!in.has("address")) {
    in.complain("address", "a device, file or host address");
  }
  source.driver = in.text("driver", name_bytes_max).value_or("");
  source.address = in.text("address", path_bytes_max).value_or("");
  source.baud = in.whole("baud", 50, 12'000'000).value_or(source.baud);
  source.allow_remote = in.flag("allow_remote").value_or(source.allow_remote);
  const LeastDelay usual = usual_least_delay(source.driver);
  source.least_delay.ms = in.number("least_delay_ms", delay_ms).value_or(usual.ms);
  source.least_delay.uncertainty_ms = in.number("least_delay_uncertainty_ms", delay_ms).value_or(usual.uncertainty_ms);
  read_channel_names(in, uses, source);
  return source;
}

CanSpec read_can_section(const TableReader& in) {
  if (!in.has("map")) {
    in.complain("map", "the path of a signal map, from the folder of this file");
  }
  return {in.text("map", path_bytes_max).value_or(""), in.text("interface", channel_bytes_max).value_or("")};
}

Limits read_limits_section(const TableReader& in) {
  Limits limits;
  const Range angles = {0, 180, true, false};
  limits.tdc_warning_deg = in.number("tdc_warning_deg", angles).value_or(limits.tdc_warning_deg);
  limits.tdc_fault_deg = in.number("tdc_fault_deg", angles).value_or(limits.tdc_fault_deg);
  limits.hysteresis = in.number("hysteresis", {0, 1, true, false}).value_or(limits.hysteresis);
  limits.hold_cycles = in.whole("hold_cycles", 1, 1000).value_or(limits.hold_cycles);
  limits.cam_warning_deg = in.number("cam_warning_deg", angles).value_or(limits.cam_warning_deg);
  limits.margin_warning = in.number("margin_warning", {0, 1}).value_or(limits.margin_warning);
  limits.running_rpm = in.number("running_rpm", {50, 20'000}).value_or(limits.running_rpm);
  read_ecu_limits(in, limits);
  limits.learn_s = in.number("learn_s", {10, 3600}).value_or(limits.learn_s);
  limits.tdc_change_deg = in.number("tdc_change_deg", angles).value_or(limits.tdc_change_deg);
  limits.cam_change_deg = in.number("cam_change_deg", angles).value_or(limits.cam_change_deg);
  limits.cam_warm_up_deg = in.number("cam_warm_up_deg", angles).value_or(limits.cam_warm_up_deg);
  limits.warm_up_s = in.number("warm_up_s", {0, 7200}).value_or(limits.warm_up_s);
  limits.cam_pair_deg = in.number("cam_pair_deg", angles).value_or(limits.cam_pair_deg);
  limits.cam_target_deg = in.number("cam_target_deg", angles).value_or(limits.cam_target_deg);
  limits.run_out_deg = in.number("run_out_deg", angles).value_or(limits.run_out_deg);
  limits.tooth_error_deg = in.number("tooth_error_deg", angles).value_or(limits.tooth_error_deg);
  if (limits.tdc_fault_deg < limits.tdc_warning_deg) {
    const bool fault_given = in.has("tdc_fault_deg");
    in.complain(fault_given ? "tdc_fault_deg" : "tdc_warning_deg",
                fault_given ? "at least tdc_warning_deg (" + number_text(limits.tdc_warning_deg) + ")"
                            : "at most tdc_fault_deg (" + number_text(limits.tdc_fault_deg) + ")");
  }
  return limits;
}

}  // namespace cw
