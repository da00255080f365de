#include "monitor/clock_watch.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "config/engine_file.hpp"
#include "items/item_buffer.hpp"
#include "monitor/monitor.hpp"
#include "record/observation_text.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "tests/unit/clocks/link_model.hpp"

namespace cw {
namespace {

using test::ns_per_s;

struct Told {
  std::vector<Finding> findings;
  std::vector<Second> seconds;
  std::vector<ClockFit> clocks;
  std::string text;
};

class Listener final : public Observer {
 public:
  void on_finding(const Finding& finding) override {
    told.findings.push_back(finding);
    told.text += finding_json(finding, std::nullopt) + "\n";
  }
  void on_cycle(const Cycle& /*cycle*/) override {}
  void on_second(const Second& second) override {
    told.seconds.push_back(second);
    told.text += trend_row(second, 0);
  }
  void on_state(const StateChange& /*change*/) override {}
  void on_clock(const ClockFit& fit) override { told.clocks.push_back(fit); }

  Told told;
};

// Source 0 names the crank and sends edges; source 1 sends CAN frames. Ticks as a live sequencer makes them.
struct TwoSources {
  test::Crystal crystal = {80, 0, 600, 0, 1800, 500 * ns_per_s};
  test::Crystal ecu_side = {-30, 0, 600, 0, 1800, 700 * ns_per_s};
  ItemBuffer items;

  void make(double seconds, bool as_files = false) {
    std::mt19937_64 dice(4);
    std::vector<Item> all;
    const test::Link edges = test::links().at(1);
    const test::Link frames = test::links().at(6);
    test::run_link(edges, crystal, seconds, dice, [&](const test::Arrived& at) {
      all.push_back({at.source_ns, at.host_ns, 0, ItemKind::edge, 0, 0, 0, Item::no_payload});
    });
    // Both began at about one time, so the second's source times are shifted.
    test::run_link(frames, ecu_side, seconds, dice, [&](const test::Arrived& at) {
      all.push_back({at.source_ns, at.host_ns - 200 * ns_per_s, 0, ItemKind::can_frame, 1, 0, 0, Item::no_payload});
    });
    for (std::int64_t t_ns = 500 * ns_per_s; t_ns < 500 * ns_per_s + std::llround(seconds * 1e9);
         t_ns += ns_per_s / 10) {
      all.push_back({as_files ? t_ns : 0, t_ns, 0, ItemKind::tick, 0, 0, 0, Item::no_payload});
    }
    std::stable_sort(all.begin(), all.end(), [](const Item& a, const Item& b) { return a.host_ns < b.host_ns; });
    items.add_channel_name(0, "crank", 0);
    items.items.back().host_ns = 500 * ns_per_s;
    for (Item item : all) {
      item.sequence = items.items.size();
      items.items.push_back(item);
    }
  }

  Told watched(std::size_t batch) const {
    Listener listener;
    const auto engine = std::get<Engine>(parse_engine(test::trial_engine, "trial"));
    Monitor monitor(engine, listener);
    for (std::size_t at = 0; at < items.items.size(); at += batch) {
      const std::size_t size = std::min(batch, items.items.size() - at);
      monitor.push({std::span(items.items).subspan(at, size), items.payload});
    }
    monitor.finish();
    return std::move(listener.told);
  }
};

TEST(ClockWatch, each_second_says_how_the_timing_source_stands_to_the_host) {
  TwoSources stream;
  stream.make(24);
  const Told told = stream.watched(1000);
  ASSERT_GE(told.seconds.size(), 23U);
  EXPECT_FALSE(told.seconds[1].clock_offset_ms) << "too little seen";
  const Second& late = told.seconds[22];
  ASSERT_TRUE(late.clock_offset_ms);
  const double truth_ms = static_cast<double>(stream.crystal.host_ns(late.source_ns) - late.source_ns) * 1e-6;
  // The least delay is as usual for a pipe (10 ms, give or take 10); the link's is 0.1.
  EXPECT_NEAR(*late.clock_offset_ms, truth_ms - 9.9, 0.2);
  EXPECT_NEAR(*late.clock_skew_ppm, 80, 20);
  EXPECT_GE(*late.clock_uncertainty_ms, 10);
  EXPECT_LT(*late.clock_uncertainty_ms, 11);
  EXPECT_TRUE(told.findings.empty() || told.findings.front().kind != FindingKind::clock_trouble);
}

TEST(ClockWatch, the_end_of_a_session_tells_the_clock_of_each_source) {
  TwoSources stream;
  stream.make(24);
  const Told told = stream.watched(1000);
  ASSERT_EQ(told.clocks.size(), 2U);
  EXPECT_EQ(told.clocks[0].source, 0);
  EXPECT_NEAR(told.clocks[0].skew_ppm, 80, 20);
  EXPECT_EQ(told.clocks[1].source, 1);
  EXPECT_NEAR(told.clocks[1].skew_ppm, -30, 20);
  EXPECT_EQ(told.clocks[1].steps, 0U);
}

TEST(ClockWatch, how_the_stream_is_cut_never_changes_the_clocks) {
  TwoSources stream;
  stream.make(12);
  const Told whole = stream.watched(stream.items.items.size());
  ASSERT_FALSE(whole.seconds.empty());
  EXPECT_TRUE(whole.seconds.back().clock_offset_ms);
  EXPECT_EQ(stream.watched(1).text, whole.text);
  EXPECT_EQ(stream.watched(37).text, whole.text);
}

TEST(ClockWatch, files_that_have_no_time_of_arrival_have_no_fitted_clock) {
  TwoSources stream;
  stream.make(6, true);
  const Told told = stream.watched(1000);
  for (const Second& second : told.seconds) {
    EXPECT_FALSE(second.clock_offset_ms);
  }
  EXPECT_TRUE(told.clocks.empty());
}

TEST(ClockWatch, a_clock_that_was_set_is_told_and_fitted_anew) {
  TwoSources stream;
  stream.make(24);
  for (Item& item : stream.items.items) {
    if (item.source == 1 && item.source_ns > 12 * ns_per_s) {
      item.source_ns += 5 * ns_per_s;
    }
  }
  const Told told = stream.watched(1000);
  std::vector<Finding> troubles;
  for (const Finding& finding : told.findings) {
    if (finding.kind == FindingKind::clock_trouble) {
      troubles.push_back(finding);
    }
  }
  ASSERT_EQ(troubles.size(), 1U);
  EXPECT_NEAR(troubles.front().values.at(0).second, -5000, 20);
  EXPECT_EQ(troubles.front().values.at(1), (std::pair<std::string, double>("source", 1)));
  EXPECT_EQ(troubles.front().attribution, Attribution::capture_link);
  ASSERT_EQ(told.clocks.size(), 2U);
  EXPECT_EQ(told.clocks[1].steps, 1U);
  EXPECT_NEAR(told.clocks[1].skew_ppm, -30, 20);
}

TEST(ClockWatch, a_reading_of_files_is_exact) {
  ClockWatch clocks({});
  Item tick;
  tick.kind = ItemKind::tick;
  tick.source_ns = 7;
  tick.host_ns = 7;
  clocks.take(tick);
  EXPECT_FALSE(clocks.at(2, 100));
  Item edge;
  edge.source = 2;
  edge.source_ns = 1000;
  edge.host_ns = 51'000;
  clocks.edge(edge);
  const auto reading = clocks.at(2, 2000);
  ASSERT_TRUE(reading);
  EXPECT_EQ(reading->host_ns, 52'000);
  EXPECT_EQ(reading->uncertainty_ns, 0);
  EXPECT_FALSE(clocks.is_fitted(2));
}

}  // namespace
}  // namespace cw
