// A baseline as the engine file names it: config/baseline_file.hpp. What was read is written and read again alike.
#include <variant>

#include "config/baseline_file.hpp"
#include "error_line.hpp"
#include "real_files.hpp"

namespace cw::fuzz {

void run(std::string_view input) {
  const Choices choices(input);
  const auto read = parse_baseline(choices.rest(), "F");
  if (const auto* error = std::get_if<ConfigError>(&read)) {
    expect_error_line(error->message);
    return;
  }
  const std::string text = baseline_text(std::get<Baseline>(read));
  const auto again = parse_baseline(text, "F");
  expect(std::holds_alternative<Baseline>(again), "what was written to be read");
  expect(baseline_text(std::get<Baseline>(again)) == text, "the same text again");
}

void seeds(const AddSeed& add) {
  Baseline baseline;
  baseline.program = "crankwitness 0.1.0";
  baseline.engine_name = "mill four";
  baseline.wall_time = "2026-11-26T05:06:07Z";
  baseline.trigger_offset_deg = 402;
  baseline.offset_deg = BaselineNumber{0.01, 0.02};
  baseline.delay_us = BaselineNumber{1.5, 0.6};
  baseline.bands.push_back({1000, 1500, 300, BaselineNumber{0.1, 0.02}, 0.05, BaselineNumber{0.9, 0.01}});
  baseline.cams.push_back({"exhaust", {0.3, 0.1}});
  baseline.teeth.push_back({7, {-0.05, 0.01}});
  add(baseline_text(baseline));
}

std::span<const std::string_view> words() {
  static constexpr std::string_view all[] = {
      "format = 1\n", "[[band]]\n",          "from_rpm = ",  "to_rpm = ",    "[[cam]]\n",
      "[[tooth]]\n",  "number = ",           "phase_deg = ", "error_deg = ", "tdc_deviation_deg = ",
      "1e308",        "_uncertainty_deg = ", "delay_us = ",  "name = \"",    "\\u0000",
      "\\\\"};
  return all;
}

}  // namespace cw::fuzz
