// The monitor with a signal map: frames and edges together.
#include "monitor/ecu_side.hpp"

#include <algorithm>
#include <cmath>
#include <string>

#include <gtest/gtest.h>

#include "monitor/monitor.hpp"
#include "tests/unit/monitor/item_stream.hpp"

namespace cw::test {
namespace {

constexpr std::int64_t s = 1'000'000'000;
constexpr std::int64_t ms_ns = 1'000'000;

SignalDefinition signal(SignalName name, std::uint32_t start, std::uint32_t length, double scale = 1) {
  SignalDefinition made;
  made.name = name;
  made.coding.field = {start, length, ByteOrder::little};
  made.coding.scale = scale;
  return made;
}

// id 100: speed in quarters, advance in tenths, state, cut, losses, offset in tenths.
BusMap trial_map() {
  SignalDefinition state = signal(SignalName::sync_state, 32, 4);
  for (int i = 0; i < 5; ++i) {
    RawMeaning meaning;
    meaning.raw = i;
    meaning.state = static_cast<LockState>(i);
    meaning.text = std::string(to_string(*meaning.state));
    state.meanings.push_back(meaning);
  }
  MessageDefinition message;
  message.name = "engine";
  message.ids = {0x100, can_extended_id_max, false};
  message.signals = {signal(SignalName::engine_speed, 0, 16, 0.25),
                     signal(SignalName::spark_advance, 16, 16, 0.1),
                     state,
                     signal(SignalName::spark_cut, 36, 1, 100),
                     signal(SignalName::sync_loss_count, 40, 8),
                     signal(SignalName::trigger_offset, 48, 16, 0.1)};
  return {{"trial ECU", {message}}, "can0"};
}

struct Words {
  double rpm = 3000;
  double advance_deg = 10;
  LockState state = LockState::cycle_locked;
  bool cut = false;
  unsigned losses = 0;
};

CanFrame frame_of(const Words& words) {
  CanFrame frame;
  frame.id = 0x100;
  frame.length = 8;
  const auto rpm = static_cast<unsigned>(words.rpm * 4);
  const auto advance = static_cast<unsigned>(words.advance_deg * 10);
  const unsigned bytes[8] = {rpm & 255U,
                             rpm >> 8U,
                             advance & 255U,
                             advance >> 8U,
                             static_cast<unsigned>(words.state) | (words.cut ? 16U : 0U),
                             words.losses & 255U,
                             0x74,
                             0x04};
  std::transform(std::begin(bytes), std::end(bytes), frame.data.begin(),
                 [](unsigned byte) { return static_cast<std::byte>(byte); });
  return frame;
}

// What is told of the engine at 3,000 rpm from 0 to `to_ns` with the given edges, and of an ECU that says `words(t)` each
// 10 ms from source 1, which is interface `bus`.
template <typename Say>
ItemStream story(const std::vector<TimedEdge>& edges, std::int64_t to_ns, Say words, const std::string& bus = "can0") {
  ItemStream stream;
  stream.source = 1;
  stream.name_channel(0, bus);
  std::int64_t next_ns = 0;
  const auto say_until = [&](std::int64_t t_ns) {
    for (; next_ns <= t_ns; next_ns += 10 * ms_ns) {
      stream.source = 1;
      stream.silence(next_ns);
      stream.frame_at(next_ns, frame_of(words(next_ns)));
    }
    stream.source = 0;
  };
  for (const TimedEdge& edge : edges) {
    say_until(edge.t_ns);
    stream.edges({edge});
  }
  say_until(to_ns);
  return stream;
}

std::vector<TimedEdge> at_3000_rpm(std::int64_t to_ns, const Deviations& off = {}) {
  constexpr double ns_per_deg = 1e9 / 18'000;
  return engine_edges(
      two_cam_engine(), 0, static_cast<double>(to_ns) / ns_per_deg, [](double deg) { return deg * ns_per_deg; }, off);
}

void play_with_map(const ItemStream& stream, Recorder& recorder, std::vector<std::size_t> sizes = {1 << 20},
                   const Engine& engine = two_cam_engine()) {
  Monitor monitor(engine, recorder, {trial_map()});
  const std::span<const Item> items = stream.buffer().items;
  std::size_t at = 0;
  for (std::size_t i = 0; at < items.size(); ++i) {
    const std::size_t count = std::min(sizes[i % sizes.size()], items.size() - at);
    monitor.push({items.subspan(at, count), stream.buffer().payload});
    at += count;
  }
  monitor.finish();
}

std::vector<FindingKind> ecu_kinds(const Recorder& recorder) {
  std::vector<FindingKind> kinds;
  for (const Finding& finding : recorder.findings) {
    if (to_string(finding.kind).starts_with("ecu-")) {
      kinds.push_back(finding.kind);
    }
  }
  return kinds;
}
using Kinds = std::vector<FindingKind>;

TEST(EcuSide, that_agrees_fills_its_columns_and_tells_nothing) {
  Recorder recorder;
  play_with_map(story(at_3000_rpm(8 * s), 8 * s, [](auto) { return Words{}; }), recorder);
  EXPECT_EQ(ecu_kinds(recorder), Kinds{});
  ASSERT_GE(recorder.seconds.size(), 7U);
  const Second& second = recorder.seconds[5];
  EXPECT_EQ(second.ecu_rpm, 3000);
  EXPECT_EQ(second.ecu_state, LockState::cycle_locked);
  EXPECT_EQ(second.ecu_advance_deg, 10);
  EXPECT_EQ(second.ecu_agrees, true);
}

TEST(EcuSide, that_loses_sync_on_a_clean_signal_is_told_with_evidence_around_it) {
  Recorder recorder;
  const ItemStream stream = story(at_3000_rpm(9 * s), 9 * s, [](std::int64_t t) {
    Words words;
    words.losses = t >= 5 * s ? 1 : 0;
    words.state = t >= 5 * s && t < 5 * s + s / 5 ? LockState::lost : LockState::cycle_locked;
    return words;
  });
  play_with_map(stream, recorder);
  ASSERT_EQ(ecu_kinds(recorder), Kinds{FindingKind::ecu_lost_sync_on_clean_signal});
  const Finding finding = recorder.of(FindingKind::ecu_lost_sync_on_clean_signal).front();
  EXPECT_EQ(finding.clock, "host");
  EXPECT_EQ(finding.start_ns, 5 * s);
  const auto host_of = [&](std::uint64_t sequence) { return stream.buffer().items[sequence - 1].host_ns; };
  EXPECT_LE(host_of(finding.evidence_first), 3 * s);
  EXPECT_GE(host_of(finding.evidence_first), 3 * s - s / 2);
  EXPECT_GE(host_of(finding.evidence_last), 5 * s);
}

// A missed tooth at the tap, and an ECU that counts strictly.
TEST(EcuSide, that_loses_sync_over_a_missed_tooth_is_told_as_the_signals) {
  std::vector<TimedEdge> edges = at_3000_rpm(9 * s);
  const auto gone = std::find_if(edges.begin(), edges.end(), [](const TimedEdge& edge) {
    return edge.line == Line::crank && edge.t_ns > 5 * s && edge.tooth == 20;
  });
  const std::int64_t at_ns = gone->t_ns;
  edges.erase(gone);
  Recorder recorder;
  play_with_map(story(edges, 9 * s,
                      [&](std::int64_t t) {
                        Words words;
                        words.state = t > at_ns + 20 * ms_ns && t < at_ns + 120 * ms_ns ? LockState::lost
                                                                                        : LockState::cycle_locked;
                        return words;
                      }),
                recorder);
  ASSERT_EQ(recorder.of(FindingKind::missed_edge).size(), 1U);
  ASSERT_EQ(ecu_kinds(recorder), Kinds{FindingKind::ecu_lost_sync});
  // ... and one that says nothing of it.
  Recorder silent;
  play_with_map(story(edges, 9 * s, [](auto) { return Words{}; }), silent);
  EXPECT_EQ(ecu_kinds(silent), Kinds{FindingKind::ecu_missed_fault});
}

TEST(EcuSide, whose_spark_stands_elsewhere_than_it_says_is_told_beside_the_deviation_from_the_file) {
  Deviations off;
  off.reference_deg = 4;
  Recorder recorder;
  play_with_map(story(at_3000_rpm(8 * s, off), 8 * s, [](auto) { return Words{}; }), recorder);
  EXPECT_EQ(ecu_kinds(recorder), Kinds{FindingKind::ecu_advance_disagrees});
  EXPECT_EQ(recorder.of(FindingKind::tdc_deviation).size(), 1U);
}

// With advance_from, the mark is expected where the ECU says: 10 degrees in these edges.
TEST(EcuSide, whose_advance_the_reference_goes_by_moves_what_is_expected) {
  Engine engine = two_cam_engine();
  engine.reference->advance_deg = 0;
  engine.reference->advance_from = "spark_advance";
  Recorder right;
  play_with_map(story(at_3000_rpm(8 * s), 8 * s, [](auto) { return Words{}; }), right, {1 << 20}, engine);
  EXPECT_TRUE(right.of(FindingKind::tdc_deviation).empty());
  ASSERT_TRUE(right.seconds[5].tdc_deviation_deg);
  EXPECT_NEAR(*right.seconds[5].tdc_deviation_deg, 0, 0.05);
  Words wrong;
  wrong.advance_deg = 15;
  Recorder off;
  play_with_map(story(at_3000_rpm(8 * s), 8 * s, [&](auto) { return wrong; }), off, {1 << 20}, engine);
  ASSERT_EQ(off.of(FindingKind::tdc_deviation).size(), 1U);
  EXPECT_NEAR(*off.seconds[5].tdc_deviation_deg, 5, 0.05);
  Words cut = wrong;
  cut.cut = true;
  Recorder in_cut;
  play_with_map(story(at_3000_rpm(8 * s), 8 * s, [&](auto) { return cut; }), in_cut, {1 << 20}, engine);
  EXPECT_TRUE(in_cut.of(FindingKind::tdc_deviation).empty());
}

TEST(EcuSide, of_another_interface_than_the_maps_is_not_listened_to) {
  Recorder recorder;
  play_with_map(story(
                    at_3000_rpm(4 * s), 4 * s, [](auto) { return Words{}; }, "can1"),
                recorder);
  EXPECT_FALSE(recorder.seconds[2].ecu_rpm);
}

TEST(EcuSide, alone_without_an_edge_is_watched_by_its_own_words) {
  Recorder recorder;
  play_with_map(story({}, 9 * s,
                      [](std::int64_t t) {
                        Words words;
                        words.state = t >= 5 * s && t < 6 * s ? LockState::lost : LockState::cycle_locked;
                        return words;
                      }),
                recorder);
  ASSERT_EQ(ecu_kinds(recorder), (Kinds{FindingKind::ecu_lost_sync, FindingKind::ecu_lost_sync}));
  EXPECT_EQ(recorder.findings.front().attribution, Attribution::undecided);
  EXPECT_FALSE(recorder.seconds[2].ecu_agrees);
}

// The tap's wire breaks: no crank edge from 4 s to 8 s, the cams' go on, and so does the ECU.
TEST(EcuSide, that_goes_on_while_our_crank_edges_stop_moves_the_blame_from_the_sensor_to_the_tap) {
  std::vector<TimedEdge> edges = at_3000_rpm(12 * s);
  std::erase_if(
      edges, [](const TimedEdge& edge) { return edge.line == Line::crank && edge.t_ns > 4 * s && edge.t_ns < 8 * s; });
  Recorder recorder;
  play_with_map(story(edges, 12 * s, [](auto) { return Words{}; }), recorder);
  const std::vector<Finding> told = recorder.of(FindingKind::crank_signal_stopped);
  ASSERT_EQ(told.size(), 3U);
  EXPECT_EQ(told[0].attribution, Attribution::sensor_or_wiring);  // all that is known yet
  EXPECT_EQ(told[1].attribution, Attribution::capture_link);
  EXPECT_EQ(told[1].id, told[0].id);
  EXPECT_EQ(told[2].phase, FindingPhase::close);
  EXPECT_EQ(told[2].attribution, Attribution::capture_link);
  // An ECU that stops with it leaves the blame where it was.
  Recorder both;
  play_with_map(story(edges, 12 * s,
                      [](std::int64_t t) {
                        Words words;
                        const bool dead = t > 4 * s && t < 8 * s;
                        words.state = dead ? LockState::lost : LockState::cycle_locked;
                        words.rpm = dead ? 0 : 3000;
                        return words;
                      }),
                both);
  for (const Finding& finding : both.of(FindingKind::crank_signal_stopped)) {
    EXPECT_EQ(finding.attribution, Attribution::sensor_or_wiring);
  }
}

TEST(EcuSide, says_the_same_however_the_stream_is_cut) {
  std::vector<TimedEdge> edges = at_3000_rpm(9 * s);
  std::erase_if(edges, [](const TimedEdge& edge) {
    return edge.line == Line::crank && edge.tooth == 20 && edge.t_ns > 4 * s && edge.t_ns < 4 * s + 20 * ms_ns;
  });
  const ItemStream stream = story(edges, 12 * s, [](std::int64_t t) {
    Words words;
    words.losses = t > 6 * s ? 1 : 0;
    words.rpm = t > 7 * s ? 2800 : 3000;
    words.advance_deg = t > 7 * s ? 14 : 10;
    return words;
  });
  Recorder whole;
  play_with_map(stream, whole);
  ASSERT_GE(ecu_kinds(whole).size(), 4U);
  for (const std::vector<std::size_t>& sizes : {std::vector<std::size_t>{1}, {7, 1, 0, 300, 2}, {64}}) {
    Recorder cut;
    play_with_map(stream, cut, sizes);
    EXPECT_EQ(cut.text, whole.text);
  }
}

}  // namespace
}  // namespace cw::test
