#include "monitor/monitor.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <string>
#include <vector>

#include <gtest/gtest.h>

#include "tests/unit/monitor/item_stream.hpp"
#include "tests/unit/sync/wheel_times.hpp"

namespace cw {
namespace {

using test::Deviations;
using test::engine_edges;
using test::ItemStream;
using test::Line;
using test::Recorder;
using test::TimedEdge;
using test::two_cam_engine;

constexpr std::int64_t s = 1'000'000'000;
constexpr std::int64_t ms = 1'000'000;

// 6,000 degrees a second.
double at_1000_rpm(double deg) {
  return deg * 1e9 / 6000;
}

std::vector<TimedEdge> clean_run(double from_s, double to_s, const Deviations& off = {}) {
  return engine_edges(two_cam_engine(), from_s * 6000, to_s * 6000, at_1000_rpm, off);
}

void sort_by_time(std::vector<TimedEdge>& edges) {
  std::stable_sort(edges.begin(), edges.end(), [](const TimedEdge& a, const TimedEdge& b) { return a.t_ns < b.t_ns; });
}

TimedEdge odd_edge_at(double deg) {
  TimedEdge odd;
  odd.crank_deg = deg;
  odd.t_ns = std::llround(at_1000_rpm(deg));
  return odd;
}

// Six seconds with an extra edge, a missed one, a cam that steps, a late mark, a dropped batch and a stop.
ItemStream eventful() {
  std::vector<TimedEdge> edges = clean_run(0, 3);
  edges.push_back(odd_edge_at(6000 + 246 + 21));
  sort_by_time(edges);
  edges = test::only(edges, [](const TimedEdge& edge) {
    return edge.line != Line::crank || std::fabs(edge.crank_deg - (720 * 14 + 246 + 30)) > 1;
  });
  ItemStream stream;
  stream.edges(edges);
  Deviations off;
  off.cam_deg = {720.0 / 44, 0};
  off.reference_deg = 5;
  stream.edges(clean_run(3, 6, off));
  stream.gap(GapReason::device_dropped, 12);
  stream.edges(clean_run(6.2, 8, off));
  stream.silence(10 * s);
  return stream;
}

std::string played_in_pieces(const ItemStream& stream, const std::vector<std::size_t>& sizes) {
  Recorder recorder;
  const Engine engine = two_cam_engine();
  Monitor monitor(engine, recorder);
  const std::span<const Item> items = stream.buffer().items;
  std::size_t at = 0;
  for (std::size_t i = 0; at < items.size(); ++i) {
    const std::size_t count = std::min(sizes[i % sizes.size()], items.size() - at);
    monitor.push({items.subspan(at, count), stream.buffer().payload});
    at += count;
  }
  monitor.finish();
  return recorder.text;
}

// ---- the same whatever the batches

TEST(Monitor, says_the_same_however_the_stream_is_cut) {
  const ItemStream stream = eventful();
  Recorder whole;
  test::play(two_cam_engine(), stream, whole);
  ASSERT_GE(whole.findings.size(), 5U) << "the story must have something to tell";
  ASSERT_GE(whole.cycles.size(), 50U);
  EXPECT_EQ(played_in_pieces(stream, {1}), whole.text);
  EXPECT_EQ(played_in_pieces(stream, {7, 1, 0, 300, 2}), whole.text);
  for (std::uint64_t seed = 1; seed <= 5; ++seed) {
    test::Dice dice(seed);
    std::vector<std::size_t> sizes;
    sizes.reserve(97);
    for (int i = 0; i < 97; ++i) {
      sizes.push_back(static_cast<std::size_t>(200 * dice.uniform() * dice.uniform()));
    }
    EXPECT_EQ(played_in_pieces(stream, sizes), whole.text) << "seed " << seed;
  }
}

TEST(Monitor, says_the_same_twice) {
  const ItemStream stream = eventful();
  EXPECT_EQ(played_in_pieces(stream, {64}), played_in_pieces(stream, {64}));
}

TEST(Monitor, has_the_kinds_of_the_eventful_story) {
  Recorder recorder;
  test::play(two_cam_engine(), eventful(), recorder);
  EXPECT_EQ(recorder.of(FindingKind::extra_edge).size(), 1U);
  EXPECT_EQ(recorder.of(FindingKind::missed_edge).size(), 1U);
  EXPECT_EQ(recorder.of(FindingKind::cam_step).size(), 1U);
  EXPECT_EQ(recorder.of(FindingKind::edges_dropped).size(), 1U);
  EXPECT_GE(recorder.of(FindingKind::tdc_deviation).size(), 1U);
  EXPECT_TRUE(recorder.of(FindingKind::sync_lost).empty());
}

// ---- a clean run

TEST(Monitor, finds_nothing_in_a_clean_run) {
  ItemStream stream;
  stream.edges(clean_run(0, 20));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  EXPECT_TRUE(recorder.findings.empty()) << recorder.text.substr(recorder.text.find("finding"), 400);
  EXPECT_GE(recorder.cycles.size(), 160U);  // 8.3 a second
  for (std::size_t i = 1; i < recorder.cycles.size(); ++i) {
    EXPECT_EQ(recorder.cycles[i].number, recorder.cycles[i - 1].number + 1);
    if (recorder.cycles[i].reference_deviation_deg) {
      EXPECT_NEAR(*recorder.cycles[i].reference_deviation_deg, 0, 1e-3);
    }
  }
  EXPECT_TRUE(recorder.cycles.back().reference_deviation_deg);
  ASSERT_EQ(recorder.cycles.back().cam_phase_deg.size(), 2U);
  EXPECT_NEAR(recorder.cycles.back().cam_phase_deg[0].value_or(9), 0, 1e-3);
}

TEST(Monitor, a_late_mark_and_late_cams_are_positive) {
  ItemStream stream;
  Deviations off;
  off.reference_deg = 0.5;
  off.cam_deg = {1.5, -0.75};
  stream.edges(clean_run(0, 5, off));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_FALSE(recorder.cycles.empty());
  const Cycle& last = recorder.cycles.back();
  EXPECT_NEAR(last.reference_deviation_deg.value_or(9), 0.5, 1e-3);
  EXPECT_NEAR(last.cam_phase_deg[0].value_or(9), 1.5, 1e-3);
  EXPECT_NEAR(last.cam_phase_deg[1].value_or(9), -0.75, 1e-3);
  EXPECT_NEAR(recorder.seconds.back().tdc_deviation_deg.value_or(9), 0.5, 1e-3);
}

TEST(Monitor, delays_of_the_file_are_taken_off_the_edge_times) {
  Engine engine = two_cam_engine();
  engine.reference->delay_us = 100;  // 0.6 degrees at 1,000 rpm
  engine.cams[0].delay_us = 200;
  ItemStream stream;
  std::vector<TimedEdge> edges = clean_run(0, 5);
  for (TimedEdge& edge : edges) {
    edge.t_ns += edge.line == Line::reference ? 100'000 : edge.line == Line::cam && edge.cam == 0 ? 200'000 : 0;
  }
  sort_by_time(edges);
  stream.edges(edges);
  Recorder recorder;
  test::play(engine, stream, recorder);
  EXPECT_NEAR(recorder.cycles.back().reference_deviation_deg.value_or(9), 0, 1e-3);
  EXPECT_NEAR(recorder.cycles.back().cam_phase_deg[0].value_or(9), 0, 1e-3);
}

// ---- rows, one a second

TEST(MonitorRows, come_once_a_second_and_count_what_was_in_it) {
  ItemStream stream;
  stream.edges(clean_run(0, 10.5));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_EQ(recorder.seconds.size(), 11U) << "ten whole ones and the rest";
  const std::int64_t first_ns = 0;
  for (std::size_t i = 0; i < 10; ++i) {
    EXPECT_EQ(recorder.seconds[i].session_ns, first_ns + static_cast<std::int64_t>(i + 1) * s);
    // 1,000 rpm: 16.67 turns of 58 teeth.
    EXPECT_NEAR(recorder.seconds[i].crank_edges, 967, 3) << i;
    EXPECT_LE(recorder.seconds[i].source_ns, recorder.seconds[i].session_ns);
  }
  EXPECT_LT(recorder.seconds[10].session_ns, 11 * s);
  EXPECT_NEAR(recorder.seconds[5].rpm.value_or(0), 1000, 0.1);
  EXPECT_NEAR(recorder.seconds[5].cycles, 8, 1);
  EXPECT_EQ(recorder.seconds[5].state, LockState::cycle_locked);
  EXPECT_EQ(recorder.seconds[5].extra_edges + recorder.seconds[5].missed_edges, 0U);
  EXPECT_TRUE(recorder.seconds[5].sync_margin);
  EXPECT_TRUE(recorder.seconds[5].tdc_uncertainty_deg);
}

TEST(MonitorRows, go_on_by_ticks_while_everything_is_silent) {
  ItemStream stream;
  stream.edges(clean_run(0, 3));
  stream.silence(20 * s);
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_GE(recorder.seconds.size(), 19U);
  ASSERT_LE(recorder.seconds.size(), 21U);
  EXPECT_EQ(recorder.seconds.back().state, LockState::no_signal);
  EXPECT_EQ(recorder.seconds.back().crank_edges, 0U);
  EXPECT_FALSE(recorder.seconds.back().rpm) << "a stale speed is not shown";
  EXPECT_FALSE(recorder.seconds.back().cam_phase_deg[0]);
}

TEST(MonitorRows, come_before_any_edge_too) {
  ItemStream stream;
  stream.silence(5 * s);
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_GE(recorder.seconds.size(), 4U);
  EXPECT_EQ(recorder.seconds[0].state, LockState::no_signal);
  EXPECT_TRUE(recorder.findings.empty());
}

TEST(MonitorRows, an_empty_stream_gives_none) {
  Recorder recorder;
  Monitor monitor(two_cam_engine(), recorder);
  monitor.push({});
  monitor.finish();
  EXPECT_TRUE(recorder.text.empty());
}

TEST(MonitorRows, count_odd_edges_and_lost_items_in_their_second_or_the_next) {
  ItemStream stream;
  stream.edges(test::only(clean_run(0, 4.0), [](const TimedEdge& edge) {
    return edge.line != Line::crank || std::fabs(edge.crank_deg - (720 * 18 + 246 + 30)) > 1;
  }));
  stream.gap(GapReason::device_dropped, 7);
  stream.edges(clean_run(4.0, 6.0));
  stream.gap(GapReason::queue_full, 5);
  stream.edges(clean_run(6.0, 7.5));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  std::uint32_t missed = 0;
  std::uint32_t lost = 0;
  for (const Second& second : recorder.seconds) {
    missed += second.missed_edges;
    lost += second.lost_items;
  }
  EXPECT_EQ(missed, 1U);
  EXPECT_EQ(lost, 12U);
}

TEST(MonitorRows, a_host_clock_that_jumps_by_hours_is_not_filled_with_rows) {
  ItemStream stream;
  stream.edges(clean_run(0, 2.5));
  stream.host_offset_ns = 0;
  ItemBuffer jumped = stream.buffer();
  Item item = jumped.items.back();
  item.kind = ItemKind::tick;
  item.host_ns += 100'000 * s;  // more than a day
  item.sequence += 1;
  jumped.items.push_back(item);
  item.host_ns += 3 * s;
  item.sequence += 1;
  jumped.items.push_back(item);
  Recorder recorder;
  Monitor monitor(two_cam_engine(), recorder);
  monitor.push(jumped.batch());
  monitor.finish();
  EXPECT_LT(recorder.seconds.size(), 20U);
  EXPECT_GE(recorder.seconds.size(), 3U);
  for (std::size_t i = 1; i < recorder.seconds.size(); ++i) {
    EXPECT_GT(recorder.seconds[i].session_ns, recorder.seconds[i - 1].session_ns);
  }
}

// ---- session time, evidence

TEST(MonitorFindings, session_time_counts_from_the_first_item_on_the_host_clock) {
  const std::vector<TimedEdge> edges = test::only(clean_run(0, 4), [](const TimedEdge& edge) {
    return edge.line != Line::crank || std::fabs(edge.crank_deg - (720 * 15 + 246 + 30)) > 1;
  });
  std::vector<std::int64_t> session;
  for (const std::int64_t offset_ns : {std::int64_t{0}, 5'000'000 * s}) {
    ItemStream stream(false);
    stream.host_offset_ns = offset_ns;
    stream.edge(4, EdgeCode::falling, 0);
    stream.name_channels();
    stream.edges(edges);
    Recorder recorder;
    test::play(two_cam_engine(), stream, recorder);
    const std::vector<Finding> missed = recorder.of(FindingKind::missed_edge);
    ASSERT_EQ(missed.size(), 1U) << offset_ns;
    // Tooth 6 after 246 degrees of cycle 15; told within two turns (a turn is 60 ms) or so.
    const double due_ns = at_1000_rpm(720 * 15 + 246 + 30);
    EXPECT_NEAR(static_cast<double>(missed[0].start_ns), due_ns, 1000);
    EXPECT_GT(static_cast<double>(missed[0].session_ns), due_ns);
    EXPECT_LT(static_cast<double>(missed[0].session_ns), due_ns + 400 * ms);
    EXPECT_EQ(missed[0].clock, "source");
    session.push_back(missed[0].session_ns);
  }
  EXPECT_EQ(session[0], session[1]);
}

TEST(MonitorFindings, evidence_holds_the_odd_edge_and_ends_with_the_deciding_item) {
  std::vector<TimedEdge> edges = clean_run(0, 12);
  const TimedEdge odd = odd_edge_at(720 * 80 + 246 + 21);
  edges.push_back(odd);
  sort_by_time(edges);
  ItemStream stream;
  stream.edges(edges);
  std::uint64_t odd_sequence = 0;
  for (const Item& item : stream.buffer().items) {
    odd_sequence = item.kind == ItemKind::edge && item.source_ns == odd.t_ns ? item.sequence : odd_sequence;
  }
  ASSERT_GT(odd_sequence, 0U);
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  const std::vector<Finding> found = recorder.of(FindingKind::extra_edge);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_LT(found[0].evidence_first, odd_sequence);
  EXPECT_GT(found[0].evidence_last, odd_sequence);
  EXPECT_LT(found[0].evidence_last, stream.next_sequence());
  EXPECT_GT(found[0].evidence_first + 5000, odd_sequence) << "about a second, not the whole session";
}

TEST(MonitorFindings, at_most_ten_of_a_kind_a_second_are_told_and_none_is_lost_from_the_count) {
  // A tooth missed in every turn, from the second second on: 16.7 a second, each alone.
  ItemStream stream;
  int dropped = 0;
  stream.edges(test::only(clean_run(0, 8), [&dropped](const TimedEdge& edge) {
    const bool away = edge.line == Line::crank && edge.tooth == 30 && edge.crank_deg > 6000 && edge.crank_deg < 42'000;
    dropped += away ? 1 : 0;
    return !away;
  }));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  const std::vector<Finding> found = recorder.of(FindingKind::missed_edge);
  std::uint32_t count = 0;
  std::map<std::int64_t, int> told;
  for (const Finding& finding : found) {
    count += finding.count;
    told[finding.session_ns / s] += finding.count == 1 ? 1 : 0;
    EXPECT_EQ(finding.tooth.value_or(0), 30);
  }
  EXPECT_EQ(count, static_cast<std::uint32_t>(dropped));
  EXPECT_GE(dropped, 90);
  for (const auto& [second, findings] : told) {
    EXPECT_LE(findings, 11) << "second " << second;  // ten, and one that waited alone
  }
  EXPECT_LT(found.size(), static_cast<std::size_t>(dropped));
}

TEST(MonitorFindings, finish_tells_what_was_held_back_and_no_condition_is_told_twice) {
  ItemStream stream;
  std::vector<TimedEdge> edges = clean_run(0, 3);
  stream.edges(test::only(edges, [](const TimedEdge& edge) {
    return edge.line != Line::crank || std::fabs(edge.crank_deg - (18'000 - 150)) > 3;
  }));
  Recorder recorder;
  const Engine engine = two_cam_engine();
  Monitor monitor(engine, recorder);
  monitor.push(stream.buffer().batch());
  EXPECT_TRUE(recorder.of(FindingKind::missed_edge).empty());
  monitor.finish();
  EXPECT_EQ(recorder.of(FindingKind::missed_edge).size(), 1U);
}

TEST(MonitorFindings, a_condition_open_at_the_end_stays_open) {
  Deviations off;
  off.reference_deg = 5;
  ItemStream stream;
  stream.edges(clean_run(0, 5, off));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  const std::vector<Finding> found = recorder.of(FindingKind::tdc_deviation);
  ASSERT_EQ(found.size(), 1U) << "it did not end, only the recording did";
  EXPECT_EQ(found[0].phase, FindingPhase::open);
  EXPECT_EQ(found[0].severity, Severity::fault);
}

// ---- what is ignored

TEST(MonitorChannels, that_the_engine_file_does_not_name_change_nothing_but_sequence_numbers) {
  ItemStream plain;
  plain.edges(clean_run(0, 5));
  ItemStream noisy;
  std::int64_t next_ns = 0;
  for (const TimedEdge& edge : clean_run(0, 5)) {
    for (; next_ns < edge.t_ns; next_ns += 777'777) {
      noisy.edge(4, EdgeCode::falling, next_ns);
    }
    noisy.edges({edge});
  }
  Recorder without;
  Recorder with;
  test::play(two_cam_engine(), plain, without);
  test::play(two_cam_engine(), noisy, with);
  EXPECT_TRUE(with.findings.empty());
  ASSERT_EQ(with.cycles.size(), without.cycles.size());
  for (std::size_t i = 0; i < with.cycles.size(); ++i) {
    EXPECT_EQ(with.cycles[i].tdc_ns, without.cycles[i].tdc_ns);
  }
}

TEST(MonitorChannels, are_silent_until_they_are_named) {
  ItemStream stream(false);
  stream.edges(clean_run(0, 2));
  stream.name_channels();
  stream.edges(clean_run(2, 5));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  EXPECT_TRUE(recorder.findings.empty());
  ASSERT_FALSE(recorder.states.empty());
  EXPECT_GE(recorder.states.front().source_ns, 2 * s - 1);
  EXPECT_EQ(recorder.seconds[0].crank_edges, 0U);
}

TEST(MonitorChannels, give_only_their_active_edge) {
  ItemStream stream;
  for (const TimedEdge& edge : clean_run(0, 5)) {
    if (edge.line == Line::crank) {
      stream.edge(0, EdgeCode::rising, edge.t_ns - 200'000);
    }
    stream.edges({edge});
  }
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  EXPECT_TRUE(recorder.findings.empty());
  EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked);
}

TEST(MonitorChannels, frames_of_can_and_items_of_unknown_kinds_are_passed_over) {
  ItemStream stream;
  stream.edges(clean_run(0, 3));
  ItemBuffer buffer = stream.buffer();
  ItemBuffer mixed;
  for (const Item& item : buffer.items) {
    mixed.add_copy(item, buffer.payload);
    Item frame = item;
    frame.kind = ItemKind::can_frame;
    frame.payload_at = Item::no_payload;
    mixed.items.push_back(frame);
  }
  Recorder plain;
  test::play(two_cam_engine(), stream, plain);
  Recorder recorder;
  Monitor monitor(two_cam_engine(), recorder);
  monitor.push(mixed.batch());
  monitor.finish();
  EXPECT_EQ(recorder.cycles.size(), plain.cycles.size());
  EXPECT_TRUE(recorder.findings.empty());
}

// ---- trouble on the way in

// A source with sequence numbers knows when noise on its line has cost nothing.
TEST(MonitorTrouble, unreadable_input_that_is_known_to_have_cost_no_edge_is_no_finding) {
  ItemStream stream;
  stream.edges(clean_run(0, 3.0));
  stream.gap(GapReason::bad_input, 0);
  stream.edges(clean_run(3.0, 5.0));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  EXPECT_TRUE(recorder.of(FindingKind::edges_dropped).empty());
  EXPECT_TRUE(recorder.of(FindingKind::sync_lost).empty());
}

TEST(MonitorTrouble, edges_lost_on_the_way_break_the_lock_without_blaming_the_engine) {
  for (const GapReason reason :
       {GapReason::device_dropped, GapReason::link_lost, GapReason::queue_full, GapReason::recorder_behind}) {
    ItemStream stream;
    stream.edges(clean_run(0, 3));
    stream.gap(reason, 40);
    stream.edges(clean_run(3.05, 6));
    Recorder recorder;
    test::play(two_cam_engine(), stream, recorder);
    ASSERT_EQ(recorder.findings.size(), 1U) << static_cast<int>(reason) << recorder.text;
    const Finding& finding = recorder.findings[0];
    EXPECT_EQ(finding.kind, FindingKind::edges_dropped);
    EXPECT_EQ(finding.attribution, Attribution::capture_link);
    EXPECT_EQ(finding.clock, "host");
    ASSERT_EQ(finding.values.size(), 2U);
    EXPECT_EQ(finding.values[0].first, "lost_items");
    EXPECT_EQ(finding.values[0].second, 40);
    EXPECT_EQ(finding.values[1], (std::pair<std::string, double>{"source", 0}));
    EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked) << "found again";
  }
}

TEST(MonitorTrouble, one_unreadable_line_does_not_break_the_lock) {
  ItemStream stream;
  stream.edges(clean_run(0, 3));
  stream.gap(GapReason::bad_input, 1);
  stream.edges(clean_run(3, 6));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  EXPECT_EQ(recorder.findings.size(), 1U);
  for (const StateChange& change : recorder.states) {
    EXPECT_NE(change.from, LockState::cycle_locked);
  }
}

TEST(MonitorTrouble, a_source_clock_that_goes_backwards_is_told_and_sync_begins_anew) {
  ItemStream stream;
  stream.edges(clean_run(10, 13));
  stream.host_offset_ns = 13 * s;
  stream.edges(clean_run(0, 3));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_EQ(recorder.of(FindingKind::clock_trouble).size(), 1U);
  EXPECT_EQ(recorder.of(FindingKind::clock_trouble)[0].attribution, Attribution::capture_link);
  EXPECT_TRUE(recorder.of(FindingKind::sync_lost).empty()) << "that is not the engine's doing";
  EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked);
}

TEST(MonitorTrouble, a_new_epoch_begins_anew_without_a_finding) {
  ItemStream stream;
  stream.edges(clean_run(10, 13));
  stream.note(LinkNote::new_epoch);
  stream.host_offset_ns = 13 * s;
  stream.edges(clean_run(0, 3));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  EXPECT_TRUE(recorder.findings.empty()) << recorder.text;
  EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked);
}

TEST(MonitorTrouble, a_link_that_goes_away_is_told) {
  ItemStream stream;
  stream.edges(clean_run(0, 3));
  stream.note(LinkNote::disconnected);
  stream.silence(6 * s);
  stream.note(LinkNote::connected);
  stream.edges(clean_run(6, 9));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_EQ(recorder.of(FindingKind::link_lost).size(), 1U);
  EXPECT_TRUE(recorder.of(FindingKind::crank_signal_stopped).empty()) << "the link went, not the sensor";
  EXPECT_TRUE(recorder.of(FindingKind::engine_stopped).empty()) << "nobody knows";
  EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked);
}

// ---- a device that sends heartbeats (drivers/EDGE_STREAM.md: a frame at least once a second) and falls silent

// Edges from `begin_s` to `end_s` with a heartbeat each 0.5 s.
void run_with_heartbeats(ItemStream& stream, double begin_s, double end_s) {
  std::int64_t next_ns = static_cast<std::int64_t>(begin_s * 1e9);
  for (const TimedEdge& edge : clean_run(begin_s, end_s)) {
    if (edge.t_ns >= next_ns) {
      stream.note(LinkNote::heartbeat);
      next_ns += s / 2;
    }
    stream.edges({edge});
  }
}

TEST(MonitorSilence, an_open_link_on_which_nothing_comes_any_more_is_told_and_its_return) {
  ItemStream stream;
  run_with_heartbeats(stream, 0, 3);
  stream.silence(8 * s);
  run_with_heartbeats(stream, 8, 12);
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_EQ(recorder.findings.size(), 2U) << recorder.text;
  const Finding& open = recorder.findings[0];
  EXPECT_EQ(open.kind, FindingKind::link_lost);
  EXPECT_EQ(open.phase, FindingPhase::open);
  EXPECT_EQ(open.attribution, Attribution::capture_link);
  EXPECT_EQ(open.clock, "host");
  EXPECT_NEAR(static_cast<double>(open.start_ns), 3e9, 1e7) << "when it was heard last";
  EXPECT_NEAR(static_cast<double>(open.end_ns), 5.5e9, 0.11e9);
  EXPECT_NEAR(open.values[0].second, 2500, 110);
  EXPECT_GT(open.evidence_first, 100U) << "the last edges before it";
  EXPECT_GT(open.evidence_last, open.evidence_first);
  const Finding& close = recorder.findings[1];
  EXPECT_EQ(close.phase, FindingPhase::close);
  EXPECT_EQ(close.id, open.id);
  EXPECT_NEAR(static_cast<double>(close.end_ns), 8e9, 0.11e9);
  // Neither sensor nor engine is blamed for what the link did.
  EXPECT_EQ(recorder.seconds[6].state, LockState::no_signal);
  EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked);
}

TEST(MonitorSilence, a_quiet_engine_whose_device_is_heard_is_an_engine_that_stopped_and_no_lost_link) {
  ItemStream stream;
  run_with_heartbeats(stream, 0, 3);
  for (int i = 1; i <= 20; ++i) {
    stream.silence(3 * s + i * s / 2);
    stream.note(LinkNote::heartbeat);
  }
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  EXPECT_TRUE(recorder.of(FindingKind::link_lost).empty()) << recorder.text;
  EXPECT_EQ(recorder.of(FindingKind::crank_signal_stopped).size(), 1U);
}

TEST(MonitorSilence, is_no_lost_link_without_heartbeats_before_it_nor_after_the_link_was_told_gone_or_ended) {
  for (const std::optional<LinkNote> last :
       {std::optional<LinkNote>(), std::optional(LinkNote::disconnected), std::optional(LinkNote::end_of_input),
        std::optional(LinkNote::connected)}) {
    ItemStream stream;
    if (last) {
      run_with_heartbeats(stream, 0, 3);
      stream.note(*last);
    } else {
      stream.edges(clean_run(0, 3));
    }
    stream.silence(9 * s);
    Recorder recorder;
    test::play(two_cam_engine(), stream, recorder);
    for (const Finding& finding : recorder.of(FindingKind::link_lost)) {
      EXPECT_EQ(finding.phase, FindingPhase::single);
    }
  }
}

TEST(MonitorSilence, unreadable_bytes_are_no_sign_of_the_device_and_a_host_that_was_held_up_is_none_of_its_silence) {
  ItemStream noise;
  run_with_heartbeats(noise, 0, 3);
  for (int i = 1; i < 60; ++i) {
    noise.silence(3 * s + i * s / 10);
    noise.gap(GapReason::bad_input, 0);
  }
  Recorder heard_noise;
  test::play(two_cam_engine(), noise, heard_noise);
  EXPECT_EQ(heard_noise.of(FindingKind::link_lost).size(), 1U);

  // Nothing ran for 20 s: one tick, then what had come meanwhile.
  ItemStream held;
  run_with_heartbeats(held, 0, 3);
  ItemBuffer all = held.buffer();
  Item tick;
  tick.kind = ItemKind::tick;
  tick.host_ns = 23 * s;
  tick.sequence = held.next_sequence();
  all.items.push_back(tick);
  Recorder after_pause;
  Monitor monitor(two_cam_engine(), after_pause);
  monitor.push(all.batch());
  EXPECT_TRUE(after_pause.of(FindingKind::link_lost).empty()) << after_pause.text;
}

TEST(MonitorSilence, of_another_source_is_told_for_it_and_leaves_sync_alone) {
  ItemStream stream;
  stream.source = 7;
  stream.note(LinkNote::heartbeat);
  stream.source = 0;
  stream.edges(clean_run(0, 6));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_EQ(recorder.findings.size(), 1U) << recorder.text;
  EXPECT_EQ(recorder.findings[0].kind, FindingKind::link_lost);
  EXPECT_EQ(recorder.findings[0].values.back(), (std::pair<std::string, double>{"source", 7}));
  EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked);
}

TEST(MonitorTrouble, a_crank_signal_that_stops_at_speed_is_told_and_its_return) {
  ItemStream stream;
  stream.edges(test::only(clean_run(0, 9), [](const TimedEdge& edge) {
    return edge.line != Line::crank || edge.crank_deg < 18'000 || edge.crank_deg > 30'000;
  }));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  const std::vector<Finding> found = recorder.of(FindingKind::crank_signal_stopped);
  ASSERT_EQ(found.size(), 2U) << recorder.text;
  EXPECT_EQ(found[0].phase, FindingPhase::open);
  EXPECT_EQ(found[0].attribution, Attribution::sensor_or_wiring);
  EXPECT_NEAR(static_cast<double>(found[0].start_ns), 3e9, 4e6);
  EXPECT_EQ(found[1].phase, FindingPhase::close);
  EXPECT_EQ(found[1].id, found[0].id);
  EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked);
}

TEST(MonitorTrouble, payloads_that_are_cut_short_do_no_harm) {
  ItemStream stream;
  stream.edges(clean_run(0, 1));
  stream.gap(GapReason::device_dropped, 40);
  const std::span<const std::byte> payload = stream.buffer().payload;
  Recorder recorder;
  Monitor monitor(two_cam_engine(), recorder);
  monitor.push({stream.buffer().items, payload.first(payload.size() - 5)});
  monitor.finish();
  EXPECT_EQ(recorder.of(FindingKind::edges_dropped).size(), 1U);
}

// The engine file says 60-2 with two cams; `wheel` turns in its place.
void hear_wheel(const Wheel& wheel, double rpm, double seconds, Recorder& recorder) {
  Engine real = two_cam_engine();
  real.crank.teeth = wheel.teeth;
  ItemStream stream;
  stream.edges(engine_edges(real, 0, seconds * 6 * rpm, [rpm](double deg) { return deg * 1e9 / (6 * rpm); }));
  test::play(two_cam_engine(), stream, recorder);
}

bool claims_lock(const Recorder& recorder) {
  return std::any_of(recorder.states.begin(), recorder.states.end(),
                     [](const StateChange& change) { return is_lock(change.to); });
}

TEST(MonitorWrongFile, is_said_in_words_within_seconds_and_no_lock_is_claimed) {
  const std::vector<std::pair<std::string, Engine>> wheels = {
      {"36-1", test::n_minus_m(36, 1)}, {"36-2", test::n_minus_m(36, 2)},
      {"24-1", test::n_minus_m(24, 1)}, {"60-1", test::n_minus_m(60, 1)},
      {"12-1", test::n_minus_m(12, 1)}, {"even teeth, no gap", test::n_minus_m(36, 0)}};
  for (const auto& [name, engine] : wheels) {
    Recorder heard;
    hear_wheel(engine.crank, 800, 3, heard);
    const std::vector<Finding> findings = heard.of(FindingKind::wrong_engine_file);
    ASSERT_EQ(findings.size(), 1U) << name;
    EXPECT_NE(findings[0].reason.find("look like " + name + ", the file says 60-2"), std::string::npos)
        << findings[0].reason;
    EXPECT_EQ(findings[0].phase, FindingPhase::open);
    EXPECT_LT(findings[0].start_ns, 2 * s) << name;
    EXPECT_FALSE(claims_lock(heard)) << name;
    EXPECT_TRUE(heard.cycles.empty()) << name;
  }
}

// The engine file has one cam with falling edges at 62, 242, 332 and 602; `real` turns in its place, at 1,000 rpm.
void hear_cam(const std::vector<CamEdge>& real, Recorder& recorder) {
  Engine file = two_cam_engine();
  file.cams.resize(1);
  Engine engine = file;
  engine.cams[0].edges = real;
  ItemStream stream;
  stream.edges(engine_edges(engine, 0, 6.0 * 6000, at_1000_rpm));
  test::play(file, stream, recorder);
}

TEST(MonitorWrongFile, a_cam_of_another_pattern_is_named_with_its_angles_and_no_turn_is_claimed) {
  Recorder heard;
  hear_cam({{40, ActiveEdge::falling}, {300, ActiveEdge::falling}, {410, ActiveEdge::falling}}, heard);
  const std::vector<Finding> findings = heard.of(FindingKind::wrong_engine_file);
  ASSERT_EQ(findings.size(), 1U);
  EXPECT_EQ(findings[0].channel, "intake");
  EXPECT_NE(
      findings[0].reason.find("seen at 40, 50, 300 degrees after TDC1 or a turn later, the file says 62, 242, 332, "
                              "602"),
      std::string::npos)
      << findings[0].reason;
  EXPECT_TRUE(std::none_of(heard.states.begin(), heard.states.end(),
                           [](const StateChange& change) { return change.to == LockState::cycle_locked; }));
}

TEST(MonitorWrongFile, a_cam_read_at_the_wrong_edge_is_a_wrong_polarity) {
  // Teeth of unequal width: their falling edges stand where the file says, their rising ones elsewhere.
  const std::vector<CamEdge> inverted = {
      {20, ActiveEdge::falling},  {62, ActiveEdge::rising},  {130, ActiveEdge::falling}, {242, ActiveEdge::rising},
      {300, ActiveEdge::falling}, {332, ActiveEdge::rising}, {450, ActiveEdge::falling}, {602, ActiveEdge::rising}};
  Recorder heard;
  hear_cam(inverted, heard);
  const std::vector<Finding> findings = heard.of(FindingKind::wrong_edge_or_polarity);
  ASSERT_EQ(findings.size(), 1U);
  EXPECT_EQ(findings[0].channel, "intake");
  EXPECT_TRUE(heard.of(FindingKind::wrong_engine_file).empty());
}

TEST(MonitorWrongFile, is_not_said_of_the_right_one_nor_of_a_broken_tooth) {
  Recorder right;
  hear_wheel(two_cam_engine().crank, 800, 3, right);
  EXPECT_TRUE(right.findings.empty());
  EXPECT_TRUE(claims_lock(right));
  Wheel broken = two_cam_engine().crank;
  broken.teeth.erase(broken.teeth.begin() + 20);
  Recorder heard;
  hear_wheel(broken, 800, 3, heard);
  EXPECT_TRUE(heard.of(FindingKind::wrong_engine_file).empty());
  ASSERT_EQ(heard.of(FindingKind::damaged_tooth).size(), 1U);
  EXPECT_EQ(heard.of(FindingKind::damaged_tooth)[0].attribution, Attribution::wheel);
}

TEST(MonitorTrouble, bytes_lost_by_a_port_break_the_lock_and_are_not_counted_as_edges) {
  ItemStream stream;
  stream.edges(clean_run(0, 3));
  stream.gap(GapReason::port_overrun, 40);
  stream.edges(clean_run(3.05, 6));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_EQ(recorder.findings.size(), 1U) << recorder.text;
  EXPECT_EQ(recorder.findings[0].kind, FindingKind::edges_dropped);
  EXPECT_EQ(recorder.findings[0].values[0], (std::pair<std::string, double>{"lost_bytes", 40}));
  for (const Second& second : recorder.seconds) {
    EXPECT_EQ(second.lost_items, 0U);
  }
}

// ---- several sources

// The edges of a clean run from source 1, and among them `trouble` of source 2 at 2, 3 and 4 s.
template <typename Trouble>
void clean_run_beside(Recorder& recorder, Trouble trouble) {
  ItemStream stream(false);
  stream.source = 1;
  stream.name_channels();
  std::int64_t due_s = 2;
  for (const TimedEdge& edge : clean_run(0, 6)) {
    if (edge.t_ns > due_s * s && due_s <= 4) {
      stream.source = 2;
      trouble(stream, due_s);
      stream.source = 1;
      ++due_s;
    }
    stream.edges({edge});
  }
  test::play(two_cam_engine(), stream, recorder);
}

void expect_undisturbed(const Recorder& recorder) {
  ItemStream alone;
  alone.edges(clean_run(0, 6));
  Recorder plain;
  test::play(two_cam_engine(), alone, plain);
  ASSERT_EQ(recorder.cycles.size(), plain.cycles.size());
  for (std::size_t i = 0; i < plain.cycles.size(); ++i) {
    EXPECT_EQ(recorder.cycles[i].tdc_ns, plain.cycles[i].tdc_ns);
    EXPECT_EQ(recorder.cycles[i].state, plain.cycles[i].state);
  }
  ASSERT_EQ(recorder.states.size(), plain.states.size());
}

TEST(MonitorSources, what_befalls_another_link_is_told_for_it_and_leaves_sync_alone) {
  Recorder recorder;
  clean_run_beside(recorder, [](ItemStream& stream, std::int64_t at_s) {
    if (at_s == 2) {
      stream.note(LinkNote::disconnected);
    } else if (at_s == 3) {
      stream.note(LinkNote::connected);
      stream.note(LinkNote::new_epoch);
    } else {
      stream.gap(GapReason::device_dropped, 9);
    }
  });
  expect_undisturbed(recorder);
  ASSERT_EQ(recorder.findings.size(), 2U) << recorder.text;
  EXPECT_EQ(recorder.findings[0].kind, FindingKind::link_lost);
  EXPECT_EQ(recorder.findings[1].kind, FindingKind::edges_dropped);
  for (const Finding& finding : recorder.findings) {
    EXPECT_EQ(finding.values.back(), (std::pair<std::string, double>{"source", 2}));
  }
}

TEST(MonitorSources, another_clock_far_off_or_going_backwards_leaves_sync_alone) {
  Recorder recorder;
  clean_run_beside(recorder, [](ItemStream& stream, std::int64_t at_s) {
    stream.host_offset_ns = at_s * s + s;  // its own clock: -1 s and back
    stream.name_channel(0, "fan");
    stream.edge(0, EdgeCode::falling, -s);
    stream.edge(0, EdgeCode::rising, at_s == 3 ? -2 * s : -s);
    stream.host_offset_ns = 0;
  });
  expect_undisturbed(recorder);
  ASSERT_EQ(recorder.findings.size(), 1U) << recorder.text;
  EXPECT_EQ(recorder.findings[0].kind, FindingKind::clock_trouble);
  EXPECT_EQ(recorder.findings[0].clock, "host");
  EXPECT_EQ(recorder.findings[0].values.back(), (std::pair<std::string, double>{"source", 2}));
}

TEST(MonitorSources, crank_and_cam_of_a_second_device_are_told_once_and_not_used) {
  Recorder recorder;
  clean_run_beside(recorder, [](ItemStream& stream, std::int64_t at_s) {
    stream.name_channel(0, "crank");
    stream.name_channel(1, "intake");
    for (int i = 0; i < 50; ++i) {
      stream.edge(0, EdgeCode::falling, at_s * s);
      stream.edge(1, EdgeCode::falling, at_s * s);
    }
  });
  expect_undisturbed(recorder);
  ASSERT_EQ(recorder.findings.size(), 2U) << recorder.text;
  EXPECT_EQ(recorder.findings[0].channel, "crank");
  EXPECT_EQ(recorder.findings[1].channel, "intake");
  for (const Finding& finding : recorder.findings) {
    EXPECT_EQ(finding.kind, FindingKind::clock_trouble);
    EXPECT_NE(finding.reason.find("another device"), std::string::npos);
    EXPECT_EQ(finding.values.back().second, 2);
  }
}

TEST(MonitorSources, the_source_that_names_the_crank_takes_over_from_one_that_named_only_a_cam) {
  ItemStream stream(false);
  stream.source = 3;
  stream.name_channel(7, "exhaust");
  for (int i = 0; i < 20; ++i) {
    stream.edge(7, EdgeCode::falling, 900 * s + i * 1'000'000);
  }
  stream.source = 0;
  stream.host_offset_ns = 901 * s;
  stream.name_channels();
  stream.edges(clean_run(0, 6));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  EXPECT_EQ(recorder.seconds.back().state, LockState::cycle_locked);
  ASSERT_EQ(recorder.findings.size(), 1U) << recorder.text;
  EXPECT_EQ(recorder.findings[0].channel, "exhaust");
  EXPECT_EQ(recorder.findings[0].values.back().second, 3);
}

TEST(MonitorSources, a_span_that_the_recorder_missed_breaks_the_time_line_of_the_crank_whatever_its_source) {
  ItemStream stream(false);
  stream.source = 1;
  stream.name_channels();
  stream.edges(clean_run(0, 3));
  stream.source = 0;
  stream.gap(GapReason::recorder_behind, 7);
  stream.note(LinkNote::new_epoch);
  stream.source = 1;
  stream.edges(clean_run(3.05, 6));
  Recorder recorder;
  test::play(two_cam_engine(), stream, recorder);
  ASSERT_EQ(recorder.findings.size(), 1U) << recorder.text;
  EXPECT_EQ(recorder.findings[0].kind, FindingKind::edges_dropped);
}

TEST(MonitorSources, a_can_bus_beside_the_edges_leaves_sync_alone_and_its_troubles_are_told) {
  Recorder recorder;
  clean_run_beside(recorder, [](ItemStream& stream, std::int64_t at_s) {
    stream.name_channel(0, "can0");
    CanFrame frame;
    stream.frame(frame);
    if (at_s == 3) {
      stream.gap(GapReason::receive_overflow, 7);
      frame.error = true;
      frame.id = 0x40;
      frame.length = 8;
      stream.frame(frame);
      stream.gap(GapReason::bad_input, 1);
    }
  });
  expect_undisturbed(recorder);
  ASSERT_GE(recorder.findings.size(), 3U) << recorder.text;
  EXPECT_EQ(recorder.findings[0].kind, FindingKind::frames_dropped);
  EXPECT_EQ(recorder.findings[0].values[0], (std::pair<std::string, double>{"lost_items", 7}));
  EXPECT_EQ(recorder.findings[1].kind, FindingKind::bus_trouble);
  EXPECT_EQ(recorder.findings[1].channel, "can0");
  EXPECT_EQ(recorder.findings[2].kind, FindingKind::frames_dropped);  // a line of a log
}

}  // namespace
}  // namespace cw
