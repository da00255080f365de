// Edge tables with a TDC known by hand: angles typed from the wheel drawing, times by plain arithmetic. Uses nothing of
// geometry/ and nothing of the simulator; what the monitor says is held against the sums in the comments.
//
// All tables but the accelerating one run at 1 degree = 100 microseconds exactly: 10,000 degrees a second, and with
// 1 rpm = 6 degrees a second that is 1666.667 rpm. A cycle of 720 degrees takes 72 ms.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "config/engine_file.hpp"
#include "items/item_buffer.hpp"
#include "monitor/monitor.hpp"

namespace cw {
namespace {

constexpr std::int64_t ns_per_deg = 100'000;
constexpr std::int64_t cycle_ns = 720 * ns_per_deg;   // 72 ms
constexpr std::int64_t first_tdc_ns = 1'000'000'000;  // the tables begin at crank angle 0, TDC1, at one second

// Gap wheel: 12 places, 1 missing: teeth 1 to 11 at 0, 30, ..., 300 after the reference tooth. Offset 75: the marked
// reference tooth stands at 720 - 75 = 645, and again a turn earlier at 285. So tooth 1, 2, ... stand at
//   645 675 705 | 15 45 75 105 135 165 195 225      (705 + 30 = 735 = 15 of the next cycle; 225 is tooth 11)
//   285 315 345 375 405 435 465 495 525 555 585     (the other turn)
// From the marked tooth at 645 to TDC1 at 720 are 75 degrees: the offset.
const std::vector<double> gap_wheel_deg = {15,  45,  75,  105, 135, 165, 195, 225, 285, 315, 345,
                                           375, 405, 435, 465, 495, 525, 555, 585, 645, 675, 705};
const std::vector<double> gap_wheel_cam_deg = {100, 260, 520};
const std::string gap_wheel_file = R"(
[engine]
name = "gap wheel by hand"
cylinders = 4
firing_order = [1, 3, 4, 2]
[crank]
channel = "crank"
active_edge = "falling"
teeth = 12
missing = 1
trigger_offset_deg = 75.0
offset_basis = "verified-mark"
[[cam]]
name = "intake"
channel = "cam1"
active_edge = "falling"
edges_deg = [100.0, 260.0, 520.0]
gear_teeth = 48
[reference]
channel = "ref"
active_edge = "falling"
marks = "spark"
advance_deg = 10.0
)";

// Angle list: teeth at 0, 40, 100, 130, 200, 290. Offset 250: the marked first tooth stands at 720 - 250 = 470, the other
// turn's at 110.
//   470 510 570 600 670 | 40                        (470 + 290 = 760 = 40 of the next cycle)
//   110 150 210 240 310 400
const std::vector<double> angle_list_deg = {40, 110, 150, 210, 240, 310, 400, 470, 510, 570, 600, 670};
const std::string angle_list_file = R"(
[engine]
name = "angle list by hand"
cylinders = 2
firing_order = [1, 2]
[crank]
channel = "crank"
active_edge = "rising"
tooth_angles_deg = [0, 40, 100, 130, 200, 290]
trigger_offset_deg = 250.0
offset_basis = "piston-stop"
[[cam]]
name = "cam"
channel = "cam1"
active_edge = "rising"
edges_deg = [20.0, 330.0, 560.0]
)";

struct TimedEdge {
  std::string channel;
  std::int64_t t_ns = 0;
  bool rising = false;
};
using Edges = std::vector<TimedEdge>;

// Crank angle `deg` of cycle `cycle`, in ns.
std::int64_t at(int cycle, double deg) {
  return first_tdc_ns + cycle * cycle_ns + std::llround(deg * static_cast<double>(ns_per_deg));
}

void add_cycles(Edges& edges, const std::string& channel, const std::vector<double>& table_deg, int from, int to,
                bool rising = false) {
  for (int cycle = from; cycle < to; ++cycle) {
    for (const double deg : table_deg) {
      edges.push_back({channel, at(cycle, deg), rising});
    }
  }
}

std::string changed(std::string text, const std::string& from, const std::string& to) {
  const std::size_t place = text.find(from);
  EXPECT_NE(place, std::string::npos) << from;
  return text.replace(place, from.size(), to);
}

struct Said {
  std::vector<Finding> findings;
  std::vector<Cycle> cycles;

  std::vector<Finding> of_kind(FindingKind kind) const {
    std::vector<Finding> some;
    std::copy_if(findings.begin(), findings.end(), std::back_inserter(some),
                 [kind](const Finding& finding) { return finding.kind == kind; });
    return some;
  }
  std::vector<Cycle> locked() const {
    std::vector<Cycle> some;
    std::copy_if(cycles.begin(), cycles.end(), std::back_inserter(some),
                 [](const Cycle& cycle) { return cycle.state == LockState::cycle_locked; });
    return some;
  }
};

class Listener : public Observer {
 public:
  explicit Listener(Said& said) : said_(said) {}
  void on_finding(const Finding& finding) override { said_.findings.push_back(finding); }
  void on_cycle(const Cycle& cycle) override { said_.cycles.push_back(cycle); }
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& /*change*/) override {}

 private:
  Said& said_;
};

ItemBuffer items_of(Edges edges) {
  std::stable_sort(edges.begin(), edges.end(), [](const TimedEdge& a, const TimedEdge& b) { return a.t_ns < b.t_ns; });
  const std::vector<std::string> names = {"crank", "cam1", "cam2", "ref"};
  ItemBuffer buffer;
  const auto stamped = [&buffer](ItemKind kind, std::int64_t t_ns) {
    Item item;
    item.kind = kind;
    item.source_ns = t_ns;
    item.host_ns = t_ns;
    item.sequence = buffer.items.size();
    return item;
  };
  for (std::size_t i = 0; i < names.size(); ++i) {
    Item item = stamped(ItemKind::link_note, edges.front().t_ns);
    item.code = static_cast<std::uint8_t>(LinkNote::channel_named);
    item.channel = static_cast<std::uint8_t>(i);
    buffer.add_with_payload(item, std::as_bytes(std::span(names[i])));
  }
  constexpr std::int64_t tick_ns = 100'000'000;
  std::int64_t next_tick_ns = edges.front().t_ns + tick_ns;
  for (const TimedEdge& edge : edges) {
    for (; next_tick_ns <= edge.t_ns; next_tick_ns += tick_ns) {
      buffer.items.push_back(stamped(ItemKind::tick, next_tick_ns));
    }
    Item item = stamped(ItemKind::edge, edge.t_ns);
    item.channel = static_cast<std::uint8_t>(std::find(names.begin(), names.end(), edge.channel) - names.begin());
    item.code = static_cast<std::uint8_t>(edge.rising ? EdgeCode::rising : EdgeCode::falling);
    buffer.items.push_back(item);
  }
  return buffer;
}

Said watch(const std::string& engine_text, const Edges& edges) {
  Said said;
  const auto engine = parse_engine(engine_text, "hand.toml");
  if (const auto* error = std::get_if<ConfigError>(&engine)) {
    ADD_FAILURE() << error->message;
    return said;
  }
  const ItemBuffer buffer = items_of(edges);
  Listener listener(said);
  Monitor monitor(std::get<Engine>(engine), listener);
  monitor.push(buffer.batch());
  monitor.finish();
  return said;
}

// Every cycle-locked TDC stands at first_tdc_ns + k * 72 ms + `shift_ns`, and there are at least `least` of them.
void expect_tdc(const Said& said, int least, std::int64_t shift_ns = 0) {
  const std::vector<Cycle> locked = said.locked();
  EXPECT_GE(static_cast<int>(locked.size()), least);
  for (const Cycle& cycle : locked) {
    const auto from_first = static_cast<double>(cycle.tdc_ns - shift_ns - first_tdc_ns);
    const double off_ns = std::remainder(from_first, static_cast<double>(cycle_ns));
    EXPECT_NEAR(off_ns, 0, 0.005 * ns_per_deg) << "TDC " << cycle.tdc_ns << " of cycle " << cycle.number;
  }
  for (std::size_t i = 1; i < locked.size(); ++i) {
    EXPECT_EQ(std::llround(static_cast<double>(locked[i].tdc_ns - locked[i - 1].tdc_ns) / cycle_ns), 1);
    EXPECT_NEAR(locked[i].rpm, 10'000.0 / 6.0, 0.05);
  }
}

Edges gap_wheel_edges(int cycles) {
  Edges edges;
  add_cycles(edges, "crank", gap_wheel_deg, 0, cycles);
  add_cycles(edges, "cam1", gap_wheel_cam_deg, 0, cycles);
  return edges;
}

TEST(HandTruth, gap_wheel_gives_tdc_at_the_times_worked_out_by_hand) {
  const Said said = watch(gap_wheel_file, gap_wheel_edges(20));
  expect_tdc(said, 16);
  EXPECT_TRUE(said.findings.empty());
  for (const Cycle& cycle : said.locked()) {
    ASSERT_EQ(cycle.cam_phase_deg.size(), 1U);
    EXPECT_NEAR(cycle.cam_phase_deg[0].value_or(0), 0, 0.01);
  }
}

TEST(HandTruth, angle_list_gives_tdc_at_the_times_worked_out_by_hand) {
  Edges edges;
  add_cycles(edges, "crank", angle_list_deg, 0, 20, true);
  add_cycles(edges, "cam1", {20, 330, 560}, 0, 20, true);
  expect_tdc(watch(angle_list_file, edges), 14);
}

// Offset 443.5: the marked reference tooth stands at 720 - 443.5 = 276.5, its twin of the other turn at 636.5. The same
// 12-1 wheel, so teeth 1 to 11 stand at
//   276.5 306.5 336.5 366.5 396.5 426.5 456.5 486.5 516.5 546.5 576.5
//   636.5 666.5 696.5 | 6.5 36.5 66.5 96.5 126.5 156.5 186.5 216.5
TEST(HandTruth, offset_above_360_gives_tdc_443_5_degrees_after_the_marked_tooth) {
  const std::vector<double> teeth_deg = {6.5,   36.5,  66.5,  96.5,  126.5, 156.5, 186.5, 216.5, 276.5, 306.5, 336.5,
                                         366.5, 396.5, 426.5, 456.5, 486.5, 516.5, 546.5, 576.5, 636.5, 666.5, 696.5};
  Edges edges;
  add_cycles(edges, "crank", teeth_deg, 0, 20);
  add_cycles(edges, "cam1", gap_wheel_cam_deg, 0, 20);
  expect_tdc(watch(changed(gap_wheel_file, "75.0", "443.5"), edges), 16);
}

// The cam alone tells the turns apart: all its edges a turn later put TDC1 a turn later, 360 * 100 us = 36 ms.
TEST(HandTruth, cam_a_turn_later_puts_tdc_a_turn_later) {
  Edges edges;
  add_cycles(edges, "crank", gap_wheel_deg, 0, 20);
  add_cycles(edges, "cam1", {460, 620, 880}, 0, 20);  // 880 = 160 of the next cycle: 100, 260, 520 each plus 360
  expect_tdc(watch(gap_wheel_file, edges), 15, 360 * ns_per_deg);
}

// Raising the entry by 3 puts TDC 3 degrees later: 3 * 100 us.
TEST(HandTruth, raising_the_offset_by_three_retards_tdc_by_three) {
  expect_tdc(watch(changed(gap_wheel_file, "75.0", "78.0"), gap_wheel_edges(20)), 16, 3 * ns_per_deg);
}

// A wire that is 250 us slow, known to the engine file: edges stand 2.5 degrees late in the recording, TDC does not.
TEST(HandTruth, known_delay_of_the_crank_channel_is_taken_off) {
  Edges edges = gap_wheel_edges(20);
  for (TimedEdge& edge : edges) {
    edge.t_ns += edge.channel == "crank" ? 250'000 : 0;
  }
  const Said said =
      watch(changed(gap_wheel_file, "trigger_offset_deg = 75.0", "trigger_offset_deg = 75.0\ndelay_us = 250.0"), edges);
  expect_tdc(said, 16);
  EXPECT_TRUE(said.findings.empty());
}

// Tooth 7 of the turn that begins at 285 stands at 285 + 6 * 30 = 465. In cycle 12 it gives no edge: TDC 12 stands at
// 1 s + 12 * 72 ms = 1.864 s, the tooth at 46.5 ms after it.
TEST(HandTruth, missed_tooth_is_named_by_number_angle_and_time) {
  Edges edges = gap_wheel_edges(20);
  std::erase_if(edges, [](const TimedEdge& edge) { return edge.channel == "crank" && edge.t_ns == 1'910'500'000; });
  const Said said = watch(gap_wheel_file, edges);
  expect_tdc(said, 16);
  ASSERT_EQ(said.findings.size(), 1U);
  const Finding& finding = said.findings.front();
  EXPECT_EQ(finding.kind, FindingKind::missed_edge);
  EXPECT_EQ(finding.tooth, 7);
  EXPECT_NEAR(finding.angle_deg.value_or(0), 465, 0.01);
  EXPECT_NEAR(static_cast<double>(finding.start_ns), 1'910'500'000, 1000);
}

// One edge too many 12 degrees after tooth 4 of the turn that begins at 645: tooth 4 stands at 15, so at 27.
TEST(HandTruth, extra_edge_is_named_by_the_tooth_before_it) {
  Edges edges = gap_wheel_edges(20);
  edges.push_back({"crank", at(11, 27), false});
  const Said said = watch(gap_wheel_file, edges);
  expect_tdc(said, 16);
  ASSERT_EQ(said.findings.size(), 1U);
  EXPECT_EQ(said.findings.front().kind, FindingKind::extra_edge);
  EXPECT_EQ(said.findings.front().tooth, 4);
  EXPECT_NEAR(said.findings.front().angle_deg.value_or(0), 27, 0.3);
  EXPECT_EQ(said.findings.front().start_ns, at(11, 27));
}

// ---- the reference: an ECU that counts `entry_deg` from the same marked tooth (at 645) and sparks 10 before its TDC1.
// 645 + 75 - 10 = 710: right. 645 + 78 - 10 = 713: three late. 645 + 72 - 10 = 707: three early.

Said watch_ecu_with_entry(double entry_deg) {
  Edges edges = gap_wheel_edges(30);
  add_cycles(edges, "ref", {645 + entry_deg - 10}, 0, 30);
  return watch(gap_wheel_file, edges);
}

void expect_deviation(const Said& said, double deviation_deg) {
  std::size_t readings = 0;
  for (const Cycle& cycle : said.locked()) {
    if (cycle.reference_deviation_deg) {
      ++readings;
      EXPECT_NEAR(*cycle.reference_deviation_deg, deviation_deg, 0.01);
    }
  }
  EXPECT_GE(readings, 24U);
}

TEST(HandTruth, reference_deviation_is_positive_when_the_mark_comes_late) {
  expect_deviation(watch_ecu_with_entry(75), 0);
  expect_deviation(watch_ecu_with_entry(78), 3);
  expect_deviation(watch_ecu_with_entry(72), -3);
}

TEST(HandTruth, measured_three_late_means_lower_the_entry_by_three) {
  constexpr double entry_deg = 78;
  const Said before = watch_ecu_with_entry(entry_deg);
  const std::vector<Finding> found = before.of_kind(FindingKind::tdc_deviation);
  ASSERT_FALSE(found.empty());
  const auto& values = found.front().values;
  const auto measured =
      std::find_if(values.begin(), values.end(), [](const auto& v) { return v.first == "deviation_deg"; });
  ASSERT_NE(measured, values.end());
  EXPECT_NEAR(measured->second, 3, 0.01);
  const Said after = watch_ecu_with_entry(entry_deg - measured->second);
  expect_deviation(after, 0);
  EXPECT_TRUE(after.of_kind(FindingKind::tdc_deviation).empty());
}

// The witness's own file 3 too high: its TDC comes 3 late, so a right ECU seems 3 early.
TEST(HandTruth, offset_too_high_in_the_engine_file_makes_a_right_ecu_look_early) {
  Edges edges = gap_wheel_edges(30);
  add_cycles(edges, "ref", {710}, 0, 30);
  expect_deviation(watch(changed(gap_wheel_file, "75.0", "78.0"), edges), -3);
}

// ---- a cam one tooth of its 48-tooth gear late: 720/48 = 15 crank degrees (7.5 cam degrees)

TEST(HandTruth, cam_fifteen_degrees_late_is_one_tooth_of_forty_eight) {
  Edges edges;
  add_cycles(edges, "crank", gap_wheel_deg, 0, 40);
  add_cycles(edges, "cam1", gap_wheel_cam_deg, 0, 20);
  add_cycles(edges, "cam1", {115, 275, 535}, 20, 40);
  const Said said = watch(gap_wheel_file, edges);
  expect_tdc(said, 36);
  const std::vector<Finding> steps = said.of_kind(FindingKind::cam_step);
  ASSERT_EQ(steps.size(), 1U);
  for (const auto& [name, value] : steps.front().values) {
    if (name == "step_deg" || name == "after_deg") {
      EXPECT_NEAR(value, 15, 0.01) << name;
    } else if (name == "gear_teeth_moved") {
      EXPECT_NEAR(value, 1, 0.001);
    }
  }
  EXPECT_NEAR(said.locked().back().cam_phase_deg.at(0).value_or(0), 15, 0.01);
}

TEST(HandTruth, cam_fifteen_degrees_early_has_a_negative_phase) {
  Edges edges;
  add_cycles(edges, "crank", gap_wheel_deg, 0, 20);
  add_cycles(edges, "cam1", {85, 245, 505}, 0, 20);
  const Said said = watch(gap_wheel_file, edges);
  expect_tdc(said, 14);
  EXPECT_NEAR(said.locked().back().cam_phase_deg.at(0).value_or(0), -15, 0.01);
}

// ---- the wheel slips on its shaft: its teeth come 6 degrees late from cycle 20 on, two cams stay where they were. By the
// wheel both cams are 6 early, TDC is 6 late (600 us), and the step of the wheel is +6. A cam gear tooth would be 15.

TEST(HandTruth, wheel_that_slips_six_degrees_late_is_a_wheel_step_of_plus_six) {
  const std::vector<double> exhaust_deg = {180, 400, 640};
  Edges edges;
  add_cycles(edges, "cam1", gap_wheel_cam_deg, 0, 40);
  add_cycles(edges, "cam2", exhaust_deg, 0, 40);
  add_cycles(edges, "crank", gap_wheel_deg, 0, 20);
  std::vector<double> late_deg = gap_wheel_deg;
  for (double& deg : late_deg) {
    deg += 6;
  }
  add_cycles(edges, "crank", late_deg, 20, 40);
  const std::string second_cam = R"(
[[cam]]
name = "exhaust"
channel = "cam2"
active_edge = "falling"
edges_deg = [180.0, 400.0, 640.0]
gear_teeth = 48
)";
  const Said said = watch(gap_wheel_file + second_cam, edges);
  const std::vector<Finding> steps = said.of_kind(FindingKind::crank_wheel_step);
  ASSERT_EQ(steps.size(), 1U);
  EXPECT_EQ(steps.front().values.front().first, "step_deg");
  EXPECT_NEAR(steps.front().values.front().second, 6, 0.01);
  EXPECT_EQ(steps.front().attribution, Attribution::wheel);
  const Cycle last = said.locked().back();
  EXPECT_NEAR(std::remainder(static_cast<double>(last.tdc_ns - first_tdc_ns), cycle_ns), 6 * ns_per_deg, 500);
  EXPECT_NEAR(last.cam_phase_deg.at(0).value_or(0), -6, 0.01);
  EXPECT_NEAR(last.cam_phase_deg.at(1).value_or(0), -6, 0.01);
}

// ---- constant acceleration: theta(t) = w0 t + a t^2 / 2, so t(theta) = (sqrt(w0^2 + 2 a theta) - w0) / a
// From 1000 rpm = 6000 deg/s with a = 9000 deg/s^2 (1500 rpm a second), 36-1, offset 84: reference teeth at 636 and 276.
// TDC1 k stands at theta = 720 k: k = 10 at t = (sqrt(36e6 + 18000 * 7200) - 6000) / 9000 = 0.763174 s, and so on.

std::int64_t accelerated_ns(double theta_deg) {
  constexpr double w0 = 6000;
  constexpr double a = 9000;
  return first_tdc_ns + std::llround((std::sqrt(w0 * w0 + 2 * a * theta_deg) - w0) / a * 1e9);
}

TEST(HandTruth, tdc_under_constant_acceleration_follows_the_closed_form) {
  Edges edges;
  constexpr int turns = 60;
  for (int turn = 0; turn < turns; ++turn) {
    for (int tooth = 0; tooth < 35; ++tooth) {
      edges.push_back({"crank", accelerated_ns(276 + 360 * turn + 10 * tooth), false});
    }
  }
  for (int cycle = 1; cycle < turns / 2; ++cycle) {
    for (const double deg : gap_wheel_cam_deg) {
      edges.push_back({"cam1", accelerated_ns(720 * cycle + deg), false});
    }
    edges.push_back({"ref", accelerated_ns(720 * cycle + 712.5), false});  // 10 before TDC is 710: 2.5 late
  }
  std::string file = changed(gap_wheel_file, "teeth = 12", "teeth = 36");
  const Said said = watch(changed(file, "75.0", "84.0"), edges);
  ASSERT_GE(said.locked().size(), 24U);
  for (const Cycle& cycle : said.locked()) {
    // Which TDC it is, from the closed form the other way round.
    const double t_s = static_cast<double>(cycle.tdc_ns - first_tdc_ns) * 1e-9;
    const double theta_deg = 6000 * t_s + 4500 * t_s * t_s;
    EXPECT_NEAR(std::remainder(theta_deg, 720), 0, 0.003) << "TDC at " << theta_deg << " degrees";
    const double rpm_now = (6000 + 9000 * t_s) / 6;
    EXPECT_NEAR(cycle.rpm, rpm_now, 0.1 * rpm_now);  // mean of the cycle before it
    if (cycle.reference_deviation_deg) {
      EXPECT_NEAR(*cycle.reference_deviation_deg, 2.5, 0.01);
    }
  }
}

// The sum in the comment above, done once by hand: sqrt(36e6 + 129.6e6) = sqrt(165.6e6) = 12868.57; less 6000 is
// 6868.57; divided by 9000 is 0.763174.
TEST(HandTruth, closed_form_agrees_with_the_sum_done_by_hand) {
  EXPECT_NEAR(static_cast<double>(accelerated_ns(7200) - first_tdc_ns) * 1e-9, 0.763174, 1e-6);
}

}  // namespace
}  // namespace cw
