#include "config/baseline_file.hpp"

#include <gtest/gtest.h>

namespace cw {
namespace {

Baseline known() {
  Baseline baseline;
  baseline.program = "crankwitness 0.1.0";
  baseline.engine_name = "an \"odd\" name\\";
  baseline.wall_time = "2026-11-26T05:06:07Z";
  baseline.trigger_offset_deg = 402;
  baseline.offset_deg = BaselineNumber{-0.25, 0.02};
  baseline.delay_us = BaselineNumber{1.5, 0.6};
  baseline.bands.push_back({1000, 1500, 300, BaselineNumber{0.1, 0.02}, 0.05, BaselineNumber{0.9, 0.01}});
  baseline.bands.push_back({1500, 2000, 30, std::nullopt, 0, BaselineNumber{0.9, 0.01}});
  baseline.cams.push_back({"exhaust", {0.3, 0.1}});
  baseline.teeth.push_back({7, {-0.05, 0.01}});
  return baseline;
}

TEST(BaselineFile, is_read_as_it_was_written) {
  const auto read = parse_baseline(baseline_text(known()), "good.toml");
  ASSERT_TRUE(std::holds_alternative<Baseline>(read)) << std::get<ConfigError>(read).message;
  EXPECT_EQ(std::get<Baseline>(read), known());
}

std::string error_of(const std::string& text) {
  const auto read = parse_baseline(text, "good.toml");
  const auto* error = std::get_if<ConfigError>(&read);
  return error == nullptr ? "" : error->message;
}

// Found by fuzzing: an empty text was written that reading refuses.
TEST(BaselineFile, without_names_is_read_and_written_again_alike) {
  const auto read = parse_baseline("format = 1\n", "F");
  ASSERT_TRUE(std::holds_alternative<Baseline>(read));
  const auto again = parse_baseline(baseline_text(std::get<Baseline>(read)), "F");
  ASSERT_TRUE(std::holds_alternative<Baseline>(again)) << std::get<ConfigError>(again).message;
  EXPECT_EQ(baseline_text(std::get<Baseline>(again)), baseline_text(std::get<Baseline>(read)));
}

TEST(BaselineFile, what_is_wrong_is_said_with_its_line) {
  EXPECT_EQ(error_of("").rfind("good.toml:", 0), 0U);
  EXPECT_NE(error_of("format = 2\n").find("good.toml:1: baseline.format: expected"), std::string::npos)
      << error_of("format = 2\n");
  EXPECT_NE(error_of("format = 1\n[[band]]\nfrom_rpm = 0\nto_rpm = 500\ntdc_deviation_deg = 1\n")
                .find("tdc_deviation_uncertainty_deg"),
            std::string::npos);
  EXPECT_NE(error_of("format = 1\n[[cam]]\nname = \"a\"\n"), "");
  EXPECT_NE(error_of("format = 1\nband = 3\n"), error_of("format = 1\n[[band]]\nfrom_rpm = \"x\"\n"));
  EXPECT_NE(error_of("format = 1\n[[band]]\nfrom_rpm = nan\nto_rpm = 1\n"), "");
}

}  // namespace
}  // namespace cw
