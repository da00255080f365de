// Power cuts at random moments of a live session, on a disk that loses and mixes what was not synced.
#include <gtest/gtest.h>

#include <map>
#include <set>

#include "config/engine_file.hpp"
#include "monitor/monitor.hpp"
#include "record/session_reader.hpp"
#include "record/session_recovery.hpp"
#include "record/session_writer.hpp"
#include "tests/unit/cli/trial_edges.hpp"
#include "tests/unit/record/capture_trial.hpp"
#include "tests/unit/record/scratch_folder.hpp"
#include "tests/unit/record/volatile_disk.hpp"
#include "tests/unit/text_lines.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::ScratchFolder;
using test::VolatileDisk;

constexpr std::int64_t ms = 1'000'000;
const std::string session = "/sessions/one";  // below the root

// Edges of the trial engine as they come in live: read 3 ms at a time, a tick every 100 ms.
ItemBuffer live_items(double seconds, int drop_every, std::int64_t begin_ns) {
  ItemBuffer out;
  std::int64_t next_tick_ns = 100 * ms;
  for (const std::string name : {"crank", "cam1", "ref"}) {
    Item note = test::item_at(ItemKind::link_note, 0, begin_ns, out.items.size());
    note.code = static_cast<std::uint8_t>(LinkNote::channel_named);
    note.channel = static_cast<std::uint8_t>(out.items.size());
    out.add_with_payload(note, std::as_bytes(std::span(name)));
  }
  for (const test::TrialEdge& edge : test::trial_edges(1500, seconds, drop_every)) {
    const std::int64_t host_ns = begin_ns + (edge.t_ns / (3 * ms) + 1) * 3 * ms;
    while (begin_ns + next_tick_ns <= host_ns) {
      out.items.push_back(test::item_at(ItemKind::tick, 0, begin_ns + next_tick_ns, out.items.size()));
      next_tick_ns += 100 * ms;
    }
    Item item = test::item_at(ItemKind::edge, edge.t_ns, host_ns, out.items.size());
    item.channel = edge.line.find("crank") != std::string::npos  ? 0
                   : edge.line.find("cam1") != std::string::npos ? 1
                                                                 : 2;
    out.items.push_back(item);
  }
  return out;
}

Engine trial() {
  auto engine = parse_engine(test::trial_engine, "trial");
  return std::get<Engine>(engine);
}

// When the lines of a text file had been written.
struct WrittenLines {
  std::map<std::string, std::int64_t> host_ns;
  std::size_t read = 0;
  void take(const std::string& text, std::int64_t now_ns) {
    for (std::size_t end = text.find('\n', read); end != std::string::npos; end = text.find('\n', read)) {
      host_ns.emplace(text.substr(read, end - read), now_ns);
      read = end + 1;
    }
  }
};

struct Written {
  WrittenLines events;
  WrittenLines trend;
};

// Records `items` on `disk` in batches as the program does, to the end.
Written record(VolatileDisk& disk, const ItemBuffer& items, const Engine& engine, std::int64_t wall_ns,
               std::uint64_t segment_bytes) {
  Written written;
  const std::string folder = VolatileDisk::root + session;
  const auto look = [&](std::int64_t now_ns) {
    written.events.take(disk.text(folder + "/events.jsonl"), now_ns);
    written.trend.take(disk.text(folder + "/trend.csv"), now_ns);
  };
  SessionSettings settings;
  settings.folder = VolatileDisk::root + session;
  settings.info.id = static_cast<std::uint64_t>(wall_ns) * 7;
  settings.info.engine_file_text = test::trial_engine;
  settings.info.anchor = WallAnchor{items.items.front().host_ns, wall_ns};
  settings.segment_bytes = segment_bytes;
  settings.layer = disk.layer();
  auto created = SessionWriter::create(std::move(settings), engine);
  SessionWriter& writer = *std::get<std::unique_ptr<SessionWriter>>(created);
  SessionTotals totals(engine);
  Monitor monitor(engine, writer);
  for (std::size_t at = 0; at < items.items.size();) {
    std::size_t end = at;
    while (end < items.items.size() && items.items[end].host_ns == items.items[at].host_ns) {
      ++end;
    }
    const ItemBatch batch{std::span(items.items).subspan(at, end - at), items.payload};
    disk.note_time(batch.items.back().host_ns);
    writer.append(batch);
    totals.take_items(batch);
    monitor.push(batch);
    writer.commit();
    look(batch.items.back().host_ns);
    at = end;
  }
  monitor.finish();
  writer.commit();
  EXPECT_FALSE(writer.finish("end of input", totals));
  look(items.items.back().host_ns);
  return written;
}

// Real files without the cost of syncing them: nobody cuts their power.
FileLayer unsynced() {
  FileLayer layer;
  layer.sync = [](int) { return 0; };
  layer.sync_folder = [](const std::string&) { return 0; };
  return layer;
}

struct Trial {
  Engine engine = trial();
  ItemBuffer items;
  VolatileDisk disk;
  Written written;
  std::size_t cuts_with_events = 0;

  explicit Trial(double seconds, int drop_every, std::uint64_t segment_bytes) {
    constexpr std::int64_t begin_ns = 5'000'000'000'000;
    constexpr std::int64_t wall_ns = 1'772'366'400'123'456'789;
    VolatileDisk earlier;
    record(earlier, live_items(seconds, drop_every + 13, begin_ns - 77 * ms), engine, wall_ns - 86'400'000 * ms,
           segment_bytes);
    for (const char* name : {"capture/000001.cwr", "capture/000002.cwr", "capture/000003.cwr", "events.jsonl",
                             "trend.csv", "session.toml", "service.jsonl"}) {
      const std::string path = VolatileDisk::root + session + "/" + name;
      disk.leave_behind(path.substr(path.rfind('/') + 1), earlier.text(path));
    }
    items = live_items(seconds, drop_every, begin_ns);
    written = record(disk, items, engine, wall_ns, segment_bytes);
  }

  // How many of the first items must be there when the cut comes at `now_ns`.
  std::size_t due(std::int64_t now_ns) const {
    if (now_ns == VolatileDisk::never) {
      return 0;
    }
    const auto later = std::find_if(items.items.begin(), items.items.end(),
                                    [&](const Item& item) { return item.host_ns > now_ns - 1000 * ms; });
    return static_cast<std::size_t>(later - items.items.begin());
  }

  void check_items(const std::string& folder, std::size_t due_items) const;
  void check_events(const std::string& folder, const RecoveryReport& report, std::int64_t now_ns);
  void check_cut(std::size_t at, std::uint64_t seed);
};

void Trial::check_items(const std::string& folder, std::size_t due_items) const {
  auto reader = CaptureReader::open(folder + "/capture");
  ASSERT_TRUE(std::holds_alternative<CaptureReader>(reader));
  CaptureBlock block;
  std::uint64_t next = 0;
  while (std::get<CaptureReader>(reader).next(block)) {
    const Item& first = block.items.items.front();
    ASSERT_EQ(first.sequence, next) << "a hole, where only the end can be lost";
    next += block.items.items.size();
    ASSERT_LE(next, items.items.size());
    const ItemBatch original{std::span(items.items).subspan(first.sequence, block.items.items.size()), items.payload};
    ASSERT_TRUE(test::same_items(block.items.batch(), original));
  }
  ASSERT_GE(next, due_items);
}

// Every line must be one that was written, and those that had been written a second ago must be there.
void check_lines(const std::string& path, const WrittenLines& written, std::int64_t now_ns) {
  const std::set<std::string> lines = test::line_set(test::file_text(path));
  for (const std::string& line : lines) {
    ASSERT_TRUE(written.host_ns.contains(line)) << path << ": invented: " << line;
  }
  for (const auto& [line, host_ns] : written.host_ns) {
    ASSERT_TRUE(lines.contains(line) || host_ns > now_ns - 1000 * ms) << path << ": lost: " << line;
  }
}

void Trial::check_events(const std::string& folder, const RecoveryReport& report, std::int64_t now_ns) {
  EXPECT_EQ(report.events.without_evidence, 0U);
  check_lines(folder + "/events.jsonl", written.events, now_ns);
  check_lines(folder + "/trend.csv", written.trend, now_ns);
  for (const std::string& line : test::line_set(test::file_text(folder + "/events.jsonl"))) {
    const auto event = parse_json(line);
    ASSERT_LT(event.at("evidence").at("last_sequence").get<std::uint64_t>(), report.capture.next_sequence);
  }
  cuts_with_events += report.events.kept > 0 ? 1 : 0;
}

void Trial::check_cut(std::size_t at, std::uint64_t seed) {
  const ScratchFolder image(test::memory_place());
  const ScratchFolder scratch(test::memory_place());
  const std::int64_t now_ns = disk.cut(at, seed, image.path());
  const std::size_t due_items = due(now_ns);
  const auto result = recover_session({image.path() + session, scratch / "out", "test", unsynced()});
  const auto* report = std::get_if<RecoveryReport>(&result);
  if (report == nullptr || report->answer == RecoveryAnswer::nothing) {
    ASSERT_EQ(due_items, 0U) << (report == nullptr ? std::get<RecoveryFailure>(result).why : "nothing read");
    return;
  }
  check_items(scratch / "out", due_items);
  check_events(scratch / "out", *report, now_ns);
  if (due_items > 0) {
    ASSERT_EQ(report->info_problem, "");
  }
}

void cut_often(Trial& trial, std::size_t cuts, std::uint64_t first_seed) {
  for (std::uint64_t seed = first_seed; seed < first_seed + cuts; ++seed) {
    const std::size_t at = std::mt19937_64(seed)() % (trial.disk.calls() + 1);
    trial.check_cut(at, seed);
    if (::testing::Test::HasFatalFailure()) {
      FAIL() << "cut before call " << at << " of " << trial.disk.calls() << ", seed " << seed;
    }
  }
}

// CW_POWER_CUTS=N: so many cuts each instead of 500.
TEST(PowerCut, leaves_all_but_the_last_second_and_no_finding_without_its_evidence) {
  Trial trial(8, 97, 64ULL * 1024 * 1024);
  ASSERT_GT(trial.written.events.host_ns.size(), 20U);
  cut_often(trial, test::count_from("CW_POWER_CUTS", 500), 1);
  EXPECT_GT(trial.cuts_with_events, 0U);
}

TEST(PowerCut, leaves_as_much_where_a_new_segment_begins_all_the_time) {
  Trial trial(4, 211, 600);
  cut_often(trial, test::count_from("CW_POWER_CUTS", 500), 1'000'000);
}

}  // namespace
}  // namespace cw
