#include "cli/pipeline.hpp"

#include <gtest/gtest.h>

#include <random>

#include "cli/sequencer.hpp"
#include "config/engine_file.hpp"
#include "drivers/registry.hpp"
#include "record/observation_text.hpp"
#include "tests/unit/cli/trial_edges.hpp"

namespace cw {
namespace {

Engine trial_engine() {
  return std::get<Engine>(parse_engine(test::trial_engine, "trial"));
}

// The items of a CSV text as a replay makes them, all in one buffer.
ItemBuffer items_of(const std::string& csv) {
  const auto driver = find_driver("csv")->make({"trial", false, {}});
  ItemBuffer parsed;
  EXPECT_TRUE(driver->read(csv, parsed));
  EXPECT_TRUE(driver->finish(parsed));
  ItemBuffer all;
  FileStamper().stamp(parsed);
  FileSequencer sequencer;
  sequencer.sequence(parsed, [&](ItemBuffer&& items) {
    for (const Item& item : items.items) {
      all.add_copy(item, items.payload);
    }
  });
  return all;
}

// Writes what the session files would hold.
class TextObserver final : public Observer {
 public:
  explicit TextObserver(std::size_t cams) : cams_(cams) {}
  void on_finding(const Finding& finding) override { text += finding_json(finding, std::nullopt) + "\n"; }
  void on_cycle(const Cycle& cycle) override { text += cycles_row(cycle, cams_); }
  void on_second(const Second& second) override { text += trend_row(second, cams_); }
  void on_state(const StateChange& change) override { text += std::string(to_string(change.to)) + "\n"; }
  std::string text;

 private:
  std::size_t cams_;
};

template <typename NextSize>
std::string text_in_batches(const Engine& engine, const ItemBuffer& items, NextSize next_size) {
  TextObserver observer(engine.cams.size());
  Monitor monitor(engine, observer);
  for (std::size_t at = 0; at < items.items.size();) {
    const std::size_t size = std::min<std::size_t>(next_size(), items.items.size() - at);
    monitor.push({std::span(items.items).subspan(at, size), items.payload});
    at += size;
  }
  monitor.finish();
  return observer.text;
}

TEST(Batches, how_the_stream_is_cut_never_changes_what_comes_out) {
  const Engine engine = trial_engine();
  const ItemBuffer items = items_of(test::trial_csv(2400, 6, 333));
  const std::string whole = text_in_batches(engine, items, [&] { return items.items.size(); });
  EXPECT_NE(whole.find("missed-edge"), std::string::npos);
  EXPECT_EQ(text_in_batches(engine, items, [] { return 1; }), whole);
  std::mt19937 random(17);
  for (int attempt = 0; attempt < 5; ++attempt) {
    EXPECT_EQ(text_in_batches(engine, items, [&] { return 1 + random() % 500; }), whole);
  }
}

TEST(Pipeline, says_the_same_as_the_monitor_alone) {
  const Engine engine = trial_engine();
  const ItemBuffer items = items_of(test::trial_csv(2400, 6, 333));
  const std::string alone = text_in_batches(engine, items, [&] { return items.items.size(); });
  TextObserver observer(engine.cams.size());
  SessionTotals totals(engine);
  {
    Pipeline pipeline(engine, {false, 100, nullptr, &totals, {&observer}});
    for (const Item& item : items.items) {
      ItemBuffer one;
      one.add_copy(item, items.payload);
      pipeline.push(std::move(one));
    }
    pipeline.finish();
  }
  EXPECT_EQ(observer.text, alone);
  EXPECT_EQ(totals.items(), items.items.size());
}

TEST(Pipeline, refuses_live_items_when_full_and_leaves_them_untouched) {
  BoundedQueue<ItemBuffer> queue(10);
  ItemBuffer items;
  items.items.resize(8);
  EXPECT_TRUE(queue.try_push(items, 8));
  ItemBuffer more;
  more.items.resize(3);
  if (queue.try_push(more, 3)) {
    FAIL() << "11 do not fit into 10";
  }
  EXPECT_EQ(more.items.size(), 3U);
  EXPECT_TRUE(queue.try_push(more, 3, 2));  // what must not be lost may take twice the room
  EXPECT_EQ(queue.pop()->items.size(), 8U);
  EXPECT_EQ(queue.pop()->items.size(), 3U);
  ItemBuffer large;
  large.items.resize(100);
  EXPECT_TRUE(queue.try_push(large, 100));  // anything fits into an empty queue
  queue.close();
  EXPECT_TRUE(queue.pop());
  EXPECT_FALSE(queue.pop());
}

TEST(Sequencer, puts_a_tick_at_each_100_ms_of_source_time_before_the_edges_of_that_moment) {
  const ItemBuffer items = items_of("t_ns,channel,edge\n50,c,f\n100000049,c,f\n100000050,c,f\n350000050,c,f\n");
  std::vector<std::pair<ItemKind, std::int64_t>> seen;
  std::uint64_t sequence = 0;
  for (const Item& item : items.items) {
    EXPECT_EQ(item.sequence, sequence++);
    EXPECT_EQ(item.host_ns, item.source_ns);
    if (item.kind != ItemKind::link_note) {
      seen.emplace_back(item.kind, item.source_ns);
    }
  }
  const std::vector<std::pair<ItemKind, std::int64_t>> expected = {
      {ItemKind::edge, 50},        {ItemKind::edge, 100000049}, {ItemKind::tick, 100000050},
      {ItemKind::edge, 100000050}, {ItemKind::tick, 200000050}, {ItemKind::tick, 300000050},
      {ItemKind::edge, 350000050}};
  EXPECT_EQ(seen, expected);
}

TEST(Sequencer, ends_its_ticks_at_the_end_of_time) {
  const ItemBuffer items = items_of("t_ns,channel,edge\n9223372036754775807,c,f\n9223372036854775807,c,f\n");
  EXPECT_EQ(items.items.back().source_ns, INT64_MAX);
  EXPECT_LE(items.items.size(), 6U);
}

TEST(Sequencer, numbers_of_items_that_were_not_queued_go_to_the_next) {
  LiveSequencer sequencer;
  ItemBuffer items;
  items.items.resize(5);
  sequencer.stamp(items, 2, 1000);
  EXPECT_EQ(items.items[4].sequence, 4U);
  EXPECT_EQ(items.items[4].source, 2);
  sequencer.take_back(5);
  EXPECT_EQ(sequencer.tick(2000).items[0].sequence, 0U);
  const ItemBuffer gap = sequencer.gap(GapReason::queue_full, 300, 1, 2000);
  EXPECT_EQ(gap.items[0].sequence, 1U);
  EXPECT_EQ(payload_of(gap.items[0], gap.payload)[0], std::byte{300 & 0xFF});
  EXPECT_EQ(payload_of(gap.items[0], gap.payload)[1], std::byte{1});
}

}  // namespace
}  // namespace cw
