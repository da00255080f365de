// What a sound file means: every form of wheel, cam, firing and reference, checked against angles worked out by hand.
#include "config/engine_file.hpp"

#include <gtest/gtest.h>

#include <filesystem>
#include <string>
#include <variant>
#include <vector>

namespace cw {
namespace {

Engine engine_of(const std::string& text) {
  const auto result = parse_engine(text, "good.toml");
  if (const auto* error = std::get_if<ConfigError>(&result)) {
    ADD_FAILURE() << error->message;
    return {};
  }
  return std::get<Engine>(result);
}

const std::string one_cylinder = "[engine]\ncylinders = 1\n";
const std::string plain_crank =
    "[crank]\nactive_edge = \"falling\"\nteeth = 60\nmissing = 2\ntrigger_offset_deg = 114\n";

Wheel wheel_of(const std::string& keys) {
  return engine_of(one_cylinder + "[crank]\nactive_edge = \"rising\"\ntrigger_offset_deg = 0\n" + keys).crank;
}

CamPattern cam_of(const std::string& keys) {
  const Engine engine = engine_of(one_cylinder + plain_crank + "[[cam]]\nname = \"a\"\nchannel = \"c\"\n" + keys);
  return engine.cams.empty() ? CamPattern{} : engine.cams.front();
}

std::vector<double> angles_of(const Wheel& wheel) {
  std::vector<double> angles;
  for (const WheelTooth& tooth : wheel.teeth) {
    angles.push_back(tooth.angle_deg);
  }
  return angles;
}

std::vector<int> numbers_of(const Wheel& wheel) {
  std::vector<int> numbers;
  for (const WheelTooth& tooth : wheel.teeth) {
    numbers.push_back(tooth.number);
  }
  return numbers;
}

std::vector<double> angles_of(const CamPattern& cam, ActiveEdge edge) {
  std::vector<double> angles;
  for (const CamEdge& each : cam.edges) {
    if (each.edge == edge) {
      angles.push_back(each.angle_deg);
    }
  }
  return angles;
}

using Angles = std::vector<double>;
using Numbers = std::vector<int>;

TEST(EngineFile, needs_little_and_fills_in_the_rest) {
  const Engine engine = engine_of(one_cylinder + plain_crank);
  EXPECT_EQ(engine.name, "unnamed engine");
  EXPECT_EQ(engine.cycle_deg, 720);
  EXPECT_EQ(engine.firing_order, Numbers{1});
  EXPECT_EQ(engine.firing_angles_deg, Angles{0});
  EXPECT_EQ(engine.crank.channel, "crank");
  EXPECT_EQ(engine.crank.shaft, WheelShaft::crank);
  EXPECT_EQ(engine.crank.offset_basis, OffsetBasis::unverified);
  EXPECT_EQ(engine.crank.delay_us, 0);
  EXPECT_TRUE(engine.cams.empty());
  EXPECT_FALSE(engine.reference.has_value());
  EXPECT_TRUE(engine.sources.empty());
  EXPECT_EQ(engine.limits.tdc_warning_deg, Limits{}.tdc_warning_deg);
}

TEST(EngineFile, spreads_even_firing_over_the_cycle_in_firing_order) {
  // 720/4 = 180 apart: cylinder 3 second, 4 third, 2 last.
  const Engine engine = engine_of("[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\n" + plain_crank);
  EXPECT_EQ(engine.firing_angles_deg, (Angles{0, 540, 180, 360}));
}

TEST(EngineFile, takes_the_order_of_an_odd_firing_engine_from_its_angles) {
  const Engine engine = engine_of("[engine]\ncylinders = 3\nfiring_angles_deg = [0, 510, 270]\n" + plain_crank);
  EXPECT_EQ(engine.firing_order, (Numbers{1, 3, 2}));
  EXPECT_EQ(engine.firing_angles_deg, (Angles{0, 510, 270}));
}

TEST(EngineFile, accepts_cylinders_that_fire_together) {
  const Engine engine = engine_of("[engine]\ncylinders = 2\nfiring_angles_deg = [0, 0]\n" + plain_crank);
  EXPECT_EQ(engine.firing_order, (Numbers{1, 2}));
}

TEST(EngineFile, accepts_order_and_angles_that_agree) {
  const Engine engine =
      engine_of("[engine]\ncylinders = 2\nfiring_order = [1, 2]\nfiring_angles_deg = [0, 270]\n" + plain_crank);
  EXPECT_EQ(engine.firing_angles_deg, (Angles{0, 270}));
}

TEST(WheelForms, put_the_missing_teeth_at_the_end_so_that_tooth_one_follows_the_gap) {
  const Wheel wheel = wheel_of("teeth = 12\nmissing = 3\n");
  EXPECT_EQ(wheel.positions, 12);
  EXPECT_EQ(wheel.period_deg, 360);
  EXPECT_EQ(angles_of(wheel), (Angles{0, 30, 60, 90, 120, 150, 180, 210, 240}));
  EXPECT_EQ(numbers_of(wheel), (Numbers{1, 2, 3, 4, 5, 6, 7, 8, 9}));
}

TEST(WheelForms, count_missing_positions_in_the_numbers_of_the_teeth_after_a_gap) {
  const Wheel wheel = wheel_of("teeth = 12\ngaps = [[3, 2], [10, 1]]\n");
  EXPECT_EQ(numbers_of(wheel), (Numbers{1, 2, 3, 6, 7, 8, 9, 10, 12}));
  EXPECT_EQ(angles_of(wheel), (Angles{0, 30, 60, 150, 180, 210, 240, 270, 330}));
}

TEST(WheelForms, allow_a_gap_that_ends_with_the_last_position) {
  EXPECT_EQ(numbers_of(wheel_of("teeth = 6\ngaps = [[2, 1], [5, 1]]\n")), (Numbers{1, 2, 4, 5}));
}

TEST(WheelForms, allow_an_even_wheel) {
  EXPECT_EQ(angles_of(wheel_of("teeth = 4\nmissing = 0\n")), (Angles{0, 90, 180, 270}));
}

TEST(WheelForms, allow_a_single_tooth) {
  EXPECT_EQ(angles_of(wheel_of("teeth = 1\nmissing = 0\n")), Angles{0});
}

TEST(WheelForms, take_an_angle_list_as_it_stands) {
  const Wheel wheel = wheel_of("tooth_angles_deg = [0, 70, 180, 250.5]\n");
  EXPECT_EQ(wheel.positions, 4);
  EXPECT_EQ(angles_of(wheel), (Angles{0, 70, 180, 250.5}));
  EXPECT_EQ(numbers_of(wheel), (Numbers{1, 2, 3, 4}));
}

TEST(WheelForms, spread_a_wheel_on_the_cam_over_two_crank_turns) {
  // 24 places on the cam: 720/24 = 30 crank degrees each.
  const Wheel wheel = wheel_of("shaft = \"cam\"\nteeth = 24\nmissing = 1\n");
  EXPECT_EQ(wheel.period_deg, 720);
  EXPECT_EQ(wheel.teeth.size(), 23U);
  EXPECT_EQ(wheel.teeth.back().angle_deg, 660);
  EXPECT_EQ(angles_of(wheel_of("shaft = \"cam\"\ntooth_angles_deg = [0, 200, 540]\n")), (Angles{0, 200, 540}));
}

TEST(WheelForms, keep_edge_offset_basis_and_delay) {
  const Wheel wheel = wheel_of("teeth = 4\nmissing = 1\noffset_basis = \"piston-stop\"\ndelay_us = 2.5\n");
  EXPECT_EQ(wheel.active_edge, ActiveEdge::rising);
  EXPECT_EQ(wheel.offset_basis, OffsetBasis::piston_stop);
  EXPECT_EQ(wheel.delay_us, 2.5);
}

TEST(CamForms, take_edges_of_one_polarity) {
  const CamPattern cam = cam_of(
      "active_edge = \"rising\"\nedges_deg = [62, 242]\nphaser_range_deg = [-40, 5]\ntolerance_deg = 6\ngear_teeth = "
      "44\n"
      "delay_us = 3\n");
  EXPECT_EQ(angles_of(cam, ActiveEdge::rising), (Angles{62, 242}));
  EXPECT_EQ(cam.phaser_min_deg, -40);
  EXPECT_EQ(cam.phaser_max_deg, 5);
  EXPECT_EQ(cam.tolerance_deg, 6);
  EXPECT_EQ(cam.gear_teeth, 44);
  EXPECT_EQ(cam.delay_us, 3);
}

TEST(CamForms, merge_both_polarities_by_angle) {
  const CamPattern cam = cam_of("rising_deg = [30, 400]\nfalling_deg = [100, 500]\n");
  ASSERT_EQ(cam.edges.size(), 4U);
  EXPECT_EQ(cam.edges[1].angle_deg, 100);
  EXPECT_EQ(cam.edges[1].edge, ActiveEdge::falling);
  EXPECT_EQ(cam.edges[2].angle_deg, 400);
  EXPECT_EQ(cam.edges[2].edge, ActiveEdge::rising);
}

TEST(CamForms, take_a_cam_that_is_high_across_the_end_of_the_cycle) {
  EXPECT_EQ(cam_of("rising_deg = [700]\nfalling_deg = [20]\n").edges.size(), 2U);
}

TEST(CamForms, take_falling_edges_alone) {
  EXPECT_EQ(angles_of(cam_of("falling_deg = [5, 6]\n"), ActiveEdge::falling), (Angles{5, 6}));
}

TEST(CamForms, write_out_an_index_for_each_turn_of_the_cycle) {
  const CamPattern cam = cam_of("period_deg = 360\nrising_deg = [10]\nfalling_deg = [20]\n");
  ASSERT_EQ(cam.edges.size(), 4U);
  EXPECT_EQ(angles_of(cam, ActiveEdge::rising), (Angles{10, 370}));
  EXPECT_EQ(angles_of(cam, ActiveEdge::falling), (Angles{20, 380}));
  EXPECT_EQ(cam.edges[1].angle_deg, 20);
}

TEST(EngineFile, describes_a_two_stroke_with_an_index_beside_a_ring_gear) {
  const Engine engine = engine_of(
      "[engine]\ncylinders = 2\ncycle_deg = 360\nfiring_order = [1, 2]\n"
      "[crank]\nactive_edge = \"falling\"\nteeth = 132\nmissing = 0\ntrigger_offset_deg = 37\n"
      "[[cam]]\nname = \"index\"\nchannel = \"i\"\nperiod_deg = 360\nactive_edge = \"falling\"\nedges_deg = [340]\n"
      "[reference]\nactive_edge = \"falling\"\nmarks = \"spark\"\nadvance_deg = 5\n");
  EXPECT_EQ(engine.firing_angles_deg, (Angles{0, 180}));
  EXPECT_EQ(engine.cams.at(0).edges.size(), 1U);
  EXPECT_EQ(engine.reference->period_deg, 360);
}

TEST(EngineFile, keeps_several_cams_in_the_order_of_the_file) {
  const std::string second = "[[cam]]\nname = \"b\"\nchannel = \"d\"\nactive_edge = \"falling\"\nedges_deg = [9]\n";
  const std::string first = "[[cam]]\nname = \"a\"\nchannel = \"c\"\nactive_edge = \"falling\"\nedges_deg = [8]\n";
  const Engine engine = engine_of(one_cylinder + plain_crank + second + first);
  ASSERT_EQ(engine.cams.size(), 2U);
  EXPECT_EQ(engine.cams[0].name, "b");
  EXPECT_EQ(engine.cams[1].channel, "c");
}

TEST(EngineFile, reads_each_kind_of_reference) {
  const auto reference_of = [](const std::string& keys) {
    return *engine_of(one_cylinder + plain_crank + "[reference]\nactive_edge = \"rising\"\n" + keys).reference;
  };
  const Reference tdc = reference_of("marks = \"tdc\"\nadvance_deg = 0\n");
  EXPECT_EQ(tdc.marks, ReferenceMark::tdc);
  EXPECT_EQ(tdc.period_deg, 720);
  EXPECT_EQ(tdc.channel, "ref");
  const Reference wasted = reference_of("marks = \"spark\"\nperiod_deg = 360\nadvance_deg = -5\ndelay_us = 12\n");
  EXPECT_EQ(wasted.period_deg, 360);
  EXPECT_EQ(wasted.advance_deg, -5);
  EXPECT_EQ(wasted.delay_us, 12);
  EXPECT_EQ(wasted.active_edge, ActiveEdge::rising);
  const Reference moving = reference_of("marks = \"spark\"\nadvance_from = \"spark_advance\"\nchannel = \"coil\"\n");
  EXPECT_EQ(moving.advance_from, "spark_advance");
  EXPECT_EQ(moving.channel, "coil");
}

TEST(EngineFile, reads_sources_with_the_names_that_devices_use) {
  const Engine engine =
      engine_of(one_cylinder + plain_crank +
                "[[source]]\ndriver = \"serial\"\naddress = \"/dev/x\"\nchannels = { crank = \"D3\" }\n"
                "[[source]]\ndriver = \"tcp\"\naddress = \"[::1]:7000\"\nbaud = 250000\nallow_remote = true\n");
  ASSERT_EQ(engine.sources.size(), 2U);
  EXPECT_EQ(engine.sources[0].channels.at(0), (std::pair<std::string, std::string>{"crank", "D3"}));
  EXPECT_EQ(engine.sources[0].baud, 115200);
  EXPECT_FALSE(engine.sources[0].allow_remote);
  EXPECT_EQ(engine.sources[1].driver, "tcp");
  EXPECT_EQ(engine.sources[1].baud, 250000);
  EXPECT_TRUE(engine.sources[1].allow_remote);
  EXPECT_EQ(engine.sources[1].least_delay, usual_least_delay("tcp"));
}

TEST(EngineFile, reads_every_limit) {
  const Limits limits = engine_of(one_cylinder + plain_crank +
                                  "[limits]\ntdc_warning_deg = 1.5\ntdc_fault_deg = 2.5\nhysteresis = 0.75\n"
                                  "hold_cycles = 3\ncam_warning_deg = 5\nmargin_warning = 0.125\nrunning_rpm = 500\n"
                                  "ecu_speed_pct = 3\necu_speed_rpm = 30\necu_advance_deg = 4\necu_cam_deg = 6\n"
                                  "ecu_hold_ms = 700\necu_latency_ms = 80\necu_stale_ms = 900\necu_silent_ms = 2000\n")
                            .limits;
  EXPECT_EQ(limits.tdc_warning_deg, 1.5);
  EXPECT_EQ(limits.tdc_fault_deg, 2.5);
  EXPECT_EQ(limits.hysteresis, 0.75);
  EXPECT_EQ(limits.hold_cycles, 3);
  EXPECT_EQ(limits.cam_warning_deg, 5);
  EXPECT_EQ(limits.margin_warning, 0.125);
  EXPECT_EQ(limits.running_rpm, 500);
  EXPECT_EQ(limits.ecu_speed_pct, 3);
  EXPECT_EQ(limits.ecu_speed_rpm, 30);
  EXPECT_EQ(limits.ecu_advance_deg, 4);
  EXPECT_EQ(limits.ecu_cam_deg, 6);
  EXPECT_EQ(limits.ecu_hold_ms, 700);
  EXPECT_EQ(limits.ecu_latency_ms, 80);
  EXPECT_EQ(limits.ecu_stale_ms, 900);
  EXPECT_EQ(limits.ecu_silent_ms, 2000);
}

TEST(EngineFile, reads_how_to_record_and_records_everything_for_ever_without_being_told) {
  const RecordSpec plain = engine_of(one_cylinder + plain_crank).record;
  EXPECT_EQ(plain.folder, "sessions");
  EXPECT_EQ(plain.mode, RecordMode::everything);
  EXPECT_FALSE(plain.keep_days);
  EXPECT_FALSE(plain.keep_gib);
  const RecordSpec record =
      engine_of(one_cylinder + plain_crank +
                "[record]\nfolder = \"/var/lib/x\"\nmode = \"black-box\"\nlead_in_s = 45\n"
                "after_s = 5\nkeep_days = 30\nkeep_gib = 2.5\nfree_floor_mib = 100\nreport = false\n")
          .record;
  EXPECT_EQ(record.folder, "/var/lib/x");
  EXPECT_EQ(record.mode, RecordMode::black_box);
  EXPECT_EQ(record.lead_in_s, 45);
  EXPECT_EQ(record.after_s, 5);
  EXPECT_EQ(record.keep_days, 30);
  EXPECT_EQ(record.keep_gib, 2.5);
  EXPECT_EQ(record.free_floor_mib, 100);
  EXPECT_FALSE(record.report);
}

TEST(EngineFile, serves_nothing_unless_told_to_and_then_on_this_computer) {
  EXPECT_EQ(engine_of(one_cylinder + plain_crank).serve.address, "");
  const ServeSpec plain = engine_of(one_cylinder + plain_crank + "[serve]\n").serve;
  EXPECT_EQ(plain.address, "127.0.0.1:7200");
  EXPECT_FALSE(plain.allow_remote);
  const ServeSpec remote = engine_of(one_cylinder + plain_crank +
                                     "[serve]\naddress = \"0.0.0.0:80\"\nallow_remote = true\n"
                                     "hosts = [\"cell-2.example\"]\n")
                               .serve;
  EXPECT_EQ(remote.address, "0.0.0.0:80");
  EXPECT_TRUE(remote.allow_remote);
  EXPECT_EQ(remote.hosts, std::vector<std::string>{"cell-2.example"});
}

TEST(ReadyEngineFiles, are_at_least_ten_and_all_sound) {
  int count = 0;
  for (const auto& entry : std::filesystem::directory_iterator(CRANKWITNESS_SOURCE_DIR "/config/engines")) {
    const auto result = load_engine(entry.path().string());
    const auto* error = std::get_if<ConfigError>(&result);
    EXPECT_EQ(error, nullptr) << (error == nullptr ? "" : error->message);
    ++count;
  }
  EXPECT_GE(count, 10);
}

TEST(ReadyEngineFiles, hold_the_demo_engine_as_designed) {
  const auto result = load_engine(CRANKWITNESS_SOURCE_DIR "/config/engines/demo-four.toml");
  const Engine& engine = std::get<Engine>(result);
  EXPECT_EQ(engine.crank.teeth.size(), 58U);
  EXPECT_EQ(engine.crank.trigger_offset_deg, 114);
  EXPECT_EQ(angles_of(engine.cams.at(0), ActiveEdge::falling), (Angles{62, 242, 332, 602}));
  EXPECT_EQ(engine.reference->advance_deg, 10);
}

}  // namespace
}  // namespace cw
