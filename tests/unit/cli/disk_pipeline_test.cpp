// The pipeline on a disk that stalls, and a black box that is replayed.
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>

#include "cli/pipeline.hpp"
#include "cli/sequencer.hpp"
#include "config/engine_file.hpp"
#include "drivers/registry.hpp"
#include "record/session_reader.hpp"
#include "tests/unit/cli/live_trial.hpp"
#include "tests/unit/cli/program.hpp"
#include "tests/unit/record/troubled_disk.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::ScratchFolder;
using test::TroubledDisk;

Engine trial_engine() {
  return std::get<Engine>(parse_engine(test::trial_engine, "trial"));
}

SessionSettings settings_in(const std::string& folder) {
  SessionSettings settings;
  settings.folder = folder;
  settings.info.id = 77;
  settings.info.engine_file_name = "trial.toml";
  settings.info.engine_file_text = test::trial_engine;
  return settings;
}

std::unique_ptr<SessionWriter> created(SessionSettings settings, const Engine& engine) {
  auto writer = SessionWriter::create(std::move(settings), engine);
  EXPECT_TRUE(std::holds_alternative<std::unique_ptr<SessionWriter>>(writer));
  return std::get<std::unique_ptr<SessionWriter>>(std::move(writer));
}

// Passes the edges, as a replay stamps them, in batches of 20 ms or so.
template <typename Sink>
void feed(const std::vector<test::TrialEdge>& edges, Sink sink) {
  const auto driver = find_driver("csv")->make({"trial", false, {}});
  FileStamper stamper;
  FileSequencer sequencer;
  std::string text = "t_ns,channel,edge\n";
  for (std::size_t i = 0; i < edges.size(); ++i) {
    text += edges[i].line;
    if (i % 20 == 19 || i + 1 == edges.size()) {
      ItemBuffer parsed;
      driver->read(text, parsed);
      stamper.stamp(parsed);
      sequencer.sequence(parsed, [&](ItemBuffer&& items) { sink(std::move(items)); });
      text.clear();
    }
  }
}

class FindingCount final : public Observer {
 public:
  void on_finding(const Finding& /*finding*/) override { ++findings; }
  void on_cycle(const Cycle& /*cycle*/) override {}
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& /*change*/) override {}
  std::atomic<int> findings{0};
};

// A session on a disk that can be told to stall.
class DiskStall : public testing::Test {
 protected:
  static SessionSettings on(TroubledDisk& disk, const ScratchFolder& folder) {
    SessionSettings settings = settings_in(folder / "s");
    settings.layer = disk.layer();
    return settings;
  }
  const ScratchFolder scratch;
  const Engine engine = trial_engine();
  TroubledDisk disk;
  const std::unique_ptr<SessionWriter> session = created(on(disk, scratch), engine);
  SessionTotals totals{engine};
};

// What comes in 5 s at the most (pipeline.hpp): 127,085 items. Here at 9,000 rpm, 36-1: 5,250 teeth a second, for 25 s.
TEST_F(DiskStall, of_five_seconds_at_the_greatest_rate_loses_nothing_and_findings_are_told_meanwhile) {
  FindingCount observer;
  constexpr std::size_t items_of_five_seconds = 127'085;
  std::size_t items = 0;
  {
    Pipeline pipeline(engine, {true, PipelineSettings{}.queue_items, session.get(), &totals, {&observer}});
    disk.stalled = true;
    feed(test::trial_edges(9000, 25, 4000), [&](ItemBuffer&& some) {
      const std::size_t count = some.items.size();
      if (items < items_of_five_seconds) {
        ASSERT_TRUE(pipeline.offer(some));
        items += count;
      }
    });
    ASSERT_GE(items, items_of_five_seconds);
    for (int i = 0; i < 3000 && observer.findings < 20; ++i) {
      std::this_thread::sleep_for(std::chrono::milliseconds(10));
    }
    EXPECT_GE(observer.findings, 20);  // with the disk still stalled
    EXPECT_TRUE(disk.stalled);
    EXPECT_EQ(test::file_text(scratch / "s/events.jsonl"), "");
    disk.stalled = false;
    pipeline.finish();
  }
  EXPECT_FALSE(session->finish("end of input", totals));
  EXPECT_EQ(session->lost_items(), 0U);
  EXPECT_EQ(totals.items(), items);
  const auto lines = test::whole_lines(test::file_text(scratch / "s/events.jsonl"));
  EXPECT_EQ(static_cast<int>(lines.size()), observer.findings);
}

TEST_F(DiskStall, that_is_longer_than_the_queue_holds_says_exactly_what_it_lost) {
  std::size_t items = 0;
  {
    Pipeline pipeline(engine, {true, 10'000, session.get(), &totals, {}});
    disk.stalled = true;
    feed(test::trial_edges(9000, 10, 0), [&](ItemBuffer&& some) {
      const std::size_t count = some.items.size();
      while (!pipeline.offer(some)) {  // the monitor is behind, not the disk
        std::this_thread::sleep_for(std::chrono::milliseconds(1));
      }
      items += count;
    });
    disk.stalled = false;
    pipeline.finish();
  }
  session->finish("end of input", totals);
  EXPECT_EQ(totals.items(), items);  // analysis went on
  EXPECT_GT(session->lost_items(), 0U);
  auto opened = SessionReader::open(scratch / "s");
  auto& reader = std::get<SessionReader>(opened);
  for (ItemBuffer some; reader.next(some);) {
  }
  EXPECT_EQ(reader.report().missing_items, session->lost_items());
}

// Findings of a hole may rest on what came before it.
TEST_F(DiskStall, that_makes_a_hole_leaves_what_came_before_on_the_disk_and_counts_all_of_it) {
  std::vector<ItemBuffer> batches;
  feed(test::trial_edges(1500, 1, 0), [&](ItemBuffer&& some) { batches.push_back(std::move(some)); });
  const std::size_t before = batches[0].items.size();
  session->append(batches[0].batch());
  session->append(batches[2].batch());
  session->append(batches[4].batch());
  EXPECT_EQ(session->lost_items(), batches[5].items.front().sequence - batches[1].items.front().sequence);
  auto opened = SessionReader::open(scratch / "s");  // as after a power cut
  auto& reader = std::get<SessionReader>(opened);
  std::size_t items = 0;
  for (ItemBuffer some; reader.next(some);) {
    items += some.items.size();
  }
  EXPECT_EQ(items, before);
}

// As on a memory card. Ten findings a second, each after its evidence, would take two syncs each and trend rows two a
// second: 2.2 s of syncs a second.
TEST_F(DiskStall, in_each_sync_does_not_add_up_while_findings_come) {
  Pipeline pipeline(engine, {true, PipelineSettings{}.queue_items, session.get(), &totals, {}});
  disk.sync_ms = 100;
  feed(test::trial_edges(1500, 4, 97), [&](ItemBuffer&& some) {
    const auto pace = std::chrono::nanoseconds(some.items.back().host_ns - some.items.front().host_ns);
    ASSERT_TRUE(pipeline.offer(some));
    std::this_thread::sleep_for(pace);
  });
  const auto fed = std::chrono::steady_clock::now();
  pipeline.finish();
  EXPECT_LT(std::chrono::steady_clock::now() - fed, std::chrono::seconds(1));  // all is on the disk
  session->finish("end of input", totals);
  EXPECT_GT(test::whole_lines(test::file_text(scratch / "s/events.jsonl")).size(), 20U);
}

TEST(BlackBox, its_windows_replay_as_epochs_in_which_the_findings_are_found_again) {
  const ScratchFolder scratch;
  const Engine engine = trial_engine();
  SessionSettings settings = settings_in(scratch / "s");
  settings.black_box = BlackBoxSettings{};
  settings.live = false;  // not every block is synced and the pipeline waits, so that ten minutes pass at once
  const auto session = created(std::move(settings), engine);
  SessionTotals totals(engine);
  FindingCount observer;
  {
    Pipeline pipeline(engine, {false, PipelineSettings{}.queue_items, session.get(), &totals, {&observer}});
    std::vector<test::TrialEdge> edges = test::trial_edges(1500, 600, 0);
    for (const std::int64_t missing_s : {150, 400}) {
      edges.erase(std::find_if(edges.begin(), edges.end(), [&](const test::TrialEdge& edge) {
        return edge.t_ns > missing_s * 1'000'000'000 && edge.line.find(",crank") != std::string::npos;
      }));
    }
    feed(edges, [&](ItemBuffer&& items) { pipeline.push(std::move(items)); });
    pipeline.finish();
  }
  ASSERT_FALSE(session->finish("end of input", totals));
  std::uintmax_t capture_bytes = 0;
  for (const auto& entry : std::filesystem::directory_iterator(scratch / "s/capture")) {
    capture_bytes += entry.file_size();
  }
  std::printf("black box, 600 s with two findings: capture %ju bytes; trend.csv grows by %ju bytes an hour\n",
              capture_bytes, std::filesystem::file_size(scratch / "s/trend.csv") * 6);
  const test::Ended replay = test::run_program(scratch, {"replay", scratch / "s", "--out", scratch / "again"});
  EXPECT_EQ(replay.code, 4) << replay.err;  // a part is missing, and it says which and why
  EXPECT_NE(replay.err.find("(not kept: no warning or fault was near)"), std::string::npos) << replay.err;
  const auto live = test::whole_lines(test::file_text(scratch / "s/events.jsonl"));
  const auto again = test::whole_lines(test::file_text(scratch / "again/events.jsonl"));
  ASSERT_EQ(live.size(), 2U);
  ASSERT_EQ(again.size(), live.size()) << test::file_text(scratch / "again/events.jsonl");
  for (std::size_t i = 0; i < live.size(); ++i) {
    const auto was = parse_json(live[i]);
    const auto is = parse_json(again[i]);
    for (const char* key : {"kind", "start_ns", "end_ns", "tooth", "angle_deg", "rpm", "reason"}) {
      EXPECT_EQ(is.at(key), was.at(key)) << key;
    }
  }
}

}  // namespace
}  // namespace cw
