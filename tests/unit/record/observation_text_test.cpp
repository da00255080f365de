#include "record/observation_text.hpp"
#include "text/json.hpp"

#include <gtest/gtest.h>

#include <limits>

namespace cw {
namespace {

std::string fixed(double value, int decimals) {
  std::string out;
  return append_fixed(out, value, decimals) ? out : "none";
}

Finding full_finding() {
  Finding finding;
  finding.id = 7;
  finding.kind = FindingKind::missed_edge;
  finding.severity = Severity::warning;
  finding.start_ns = -5;
  finding.end_ns = 10;
  finding.session_ns = 1'500'000'000;
  finding.cycle = 42;
  finding.angle_deg = 168.00049;
  finding.channel = "crank";
  finding.tooth = 48;
  finding.rpm = 3000.1236;
  finding.values = {{"gap_ratio", 2.9996}, {"unknown_deg", std::numeric_limits<double>::quiet_NaN()}};
  finding.attribution = Attribution::sensor_or_wiring;
  finding.reason = "said \"so\"";
  finding.next_checks = {"one", "two"};
  finding.code = "P0339";
  finding.title = "Title";
  finding.evidence_first = 3;
  finding.evidence_last = 9;
  finding.count = 2;
  return finding;
}

Engine engine_with_two_cams() {
  Engine engine;
  engine.cams.resize(2);
  engine.cams[0].name = "intake";
  engine.cams[1].name = "exhaust";
  return engine;
}

TEST(ObservationText, numbers_have_fixed_decimals_and_no_negative_zero) {
  EXPECT_EQ(fixed(1.0, 3), "1.000");
  EXPECT_EQ(fixed(-0.0004, 3), "0.000");
  EXPECT_EQ(fixed(-0.0, 4), "0.0000");
  EXPECT_EQ(fixed(-0.0006, 3), "-0.001");
  EXPECT_EQ(fixed(0.0625, 3), "0.062");  // exact binary half: to even, as IEEE 754 prescribes for conversions
  EXPECT_EQ(fixed(std::numeric_limits<double>::infinity(), 3), "none");
  EXPECT_EQ(fixed(1e300, 0).size(), 301U);
}

TEST(ObservationText, finding_line_has_all_keys_in_the_order_of_the_page) {
  EXPECT_EQ(finding_json(full_finding(), 1'772'366'400'123'456'789),
            R"({"id":7,"phase":"single","kind":"missed-edge","severity":"warning","clock":"source","start_ns":-5,)"
            R"("end_ns":10,"session_ns":1500000000,"wall_time":"2026-03-01T12:00:00.123Z","cycle":42,)"
            R"("angle_deg":168.000,"channel":"crank","tooth":48,"rpm":3000.124,"values":{"gap_ratio":3.000},)"
            R"("attribution":"sensor-or-wiring","reason":"said \"so\"","next_checks":["one","two"],"code":"P0339",)"
            R"("title":"Title","evidence":{"first_sequence":3,"last_sequence":9},"count":2})");
}

TEST(ObservationText, what_is_not_known_is_absent) {
  const auto json = parse_json(finding_json(Finding{}, std::nullopt));
  for (const char* key : {"wall_time", "cycle", "angle_deg", "channel", "tooth", "rpm", "values", "reason",
                          "next_checks", "code", "title"}) {
    EXPECT_FALSE(json.contains(key)) << key;
  }
  EXPECT_EQ(json.at("count"), 1);
}

TEST(ObservationText, a_line_is_json_whatever_the_text_holds) {
  Finding finding;
  finding.reason = "line\nend \x01 \xFF bad utf-8 \\ \"";
  const std::string line = finding_json(finding, std::nullopt);
  EXPECT_EQ(line.find('\n'), std::string::npos);
  EXPECT_TRUE(!parse_json(line).is_discarded());
}

TEST(ObservationText, trend_rows_fit_their_header) {
  const Engine engine = engine_with_two_cams();
  EXPECT_EQ(trend_header(engine),
            "session_s,source_ns,state,rpm,sync_margin,tdc_deviation_deg,tdc_deviation_spread_deg,"
            "tdc_uncertainty_deg,phase_intake_deg,phase_exhaust_deg,cycles,crank_edges,extra_edges,missed_edges,"
            "lost_items,ecu_rpm,ecu_state,ecu_advance_deg,ecu_agrees,clock_offset_ms,clock_skew_ppm,"
            "clock_uncertainty_ms\n");
  Second second;
  second.session_ns = 61'002'000'000;
  second.source_ns = -17;
  second.state = LockState::cycle_locked;
  second.cycles = 25;
  second.crank_edges = 2900;
  second.rpm = 3000;
  second.tdc_deviation_deg = -0.12345;
  second.cam_phase_deg = {std::nullopt, 1.5};
  EXPECT_EQ(trend_row(second, 2), "61.002,-17,cycle-locked,3000.000,,-0.1235,,,,1.5000,25,2900,0,0,0,,,,,,,\n");
  EXPECT_EQ(trend_row(Second{}, 2), "0.000,0,no-signal,,,,,,,,0,0,0,0,0,,,,,,,\n");
  second.ecu_rpm = 3010.25;
  second.ecu_state = LockState::cycle_locked;
  second.ecu_advance_deg = 12.5;
  second.ecu_agrees = false;
  second.clock_offset_ms = -1.5;
  second.clock_skew_ppm = 20;
  second.clock_uncertainty_ms = 0.25;
  const std::string row = trend_row(second, 2);
  EXPECT_NE(row.find(",3010.250,cycle-locked,12.500,no,-1.500,20.000,0.250\n"), std::string::npos) << row;
}

TEST(ObservationText, cycle_rows_fit_their_header) {
  EXPECT_EQ(cycles_header(engine_with_two_cams()),
            "cycle,tdc_ns,rpm,uncertainty_deg,reference_deviation_deg,state,phase_intake_deg,phase_exhaust_deg\n");
  Cycle cycle;
  cycle.number = 3;
  cycle.tdc_ns = 123456789012345;
  cycle.rpm = 812.5;
  cycle.uncertainty_deg = 0.00512;
  cycle.state = LockState::revolution_locked;
  EXPECT_EQ(cycles_row(cycle, 2), "3,123456789012345,812.500,0.0051,,revolution-locked,,\n");
}

}  // namespace
}  // namespace cw
