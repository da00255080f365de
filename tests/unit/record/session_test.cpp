#include <gtest/gtest.h>
#include <sys/resource.h>

#include <csignal>
#include <thread>

#include "record/session_reader.hpp"
#include "record/session_writer.hpp"
#include "tests/unit/record/edge_maker.hpp"
#include "tests/unit/record/scratch_folder.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::ScratchFolder;

SessionSettings settings_for(const std::string& folder, std::vector<std::string>* told = nullptr) {
  SessionSettings settings;
  settings.folder = folder;
  settings.info.id = 77;
  settings.info.engine_file_text = "text";
  settings.info.anchor = WallAnchor{0, 1'772'366'400'000'000'000};
  if (told != nullptr) {
    settings.tell = [told](const std::string& line) { told->push_back(line); };
  }
  return settings;
}

std::unique_ptr<SessionWriter> created(SessionSettings settings, const Engine& engine) {
  auto writer = SessionWriter::create(std::move(settings), engine);
  EXPECT_TRUE(std::holds_alternative<std::unique_ptr<SessionWriter>>(writer));
  return std::move(std::get<std::unique_ptr<SessionWriter>>(writer));
}

std::string creation_error(const std::string& folder, const Engine& engine) {
  auto writer = SessionWriter::create(settings_for(folder), engine);
  const auto* error = std::get_if<std::string>(&writer);
  return error == nullptr ? "" : *error;
}

ItemBatch part(const ItemBuffer& items, std::size_t from, std::size_t count) {
  return {std::span(items.items).subspan(from, count), items.payload};
}

ItemBuffer read_session(const std::string& folder, CaptureReport* report = nullptr) {
  auto reader = SessionReader::open(folder);
  ItemBuffer all;
  ItemBuffer items;
  while (std::get<SessionReader>(reader).next(items)) {
    for (const Item& item : items.items) {
      all.add_copy(item, items.payload);
    }
  }
  if (report != nullptr) {
    *report = std::get<SessionReader>(reader).report();
  }
  return all;
}

ItemBuffer marker(std::uint64_t sequence, std::int64_t host_ns) {
  ItemBuffer out;
  Item gap = test::item_at(ItemKind::gap, 0, host_ns, sequence);
  gap.code = static_cast<std::uint8_t>(GapReason::recorder_behind);
  Item note = test::item_at(ItemKind::link_note, 0, host_ns, sequence + 1);
  note.code = static_cast<std::uint8_t>(LinkNote::new_epoch);
  out.items = {gap, note};
  return out;
}

TEST(Session, gives_back_its_items_and_its_engine_file) {
  const ScratchFolder scratch;
  const Engine engine;
  const ItemBuffer items = test::wheel_items(100);
  auto writer = created(settings_for(scratch / "s"), engine);
  writer->append(items.batch());
  SessionTotals totals(engine);
  EXPECT_FALSE(writer->finish("end of input", totals));
  auto reader = SessionReader::open(scratch / "s");
  ASSERT_TRUE(std::holds_alternative<SessionReader>(reader));
  EXPECT_EQ(std::get<SessionReader>(reader).info()->engine_file_text, "text");
  EXPECT_TRUE(std::get<SessionReader>(reader).closed_in_good_order());
  EXPECT_TRUE(test::same_items(read_session(scratch / "s").batch(), items.batch()));
}

TEST(Session, a_finding_is_written_after_the_items_it_rests_on) {
  const ScratchFolder scratch;
  const Engine engine;
  const ItemBuffer items = test::wheel_items(2);
  auto writer = created(settings_for(scratch / "s"), engine);
  writer->append(part(items, 0, 50));
  Finding finding;
  finding.evidence_last = 49;
  finding.session_ns = 1'500'000'000;
  writer->on_finding(finding);
  EXPECT_EQ(test::file_text(scratch / "s/events.jsonl"), "");
  writer->commit();
  const auto event = parse_json(test::file_text(scratch / "s/events.jsonl"));
  EXPECT_EQ(event.at("wall_time"), "2026-03-01T12:00:01.500Z");
  EXPECT_EQ(read_session(scratch / "s").items.size(), 50U);  // though the block was far from full
}

TEST(Session, an_existing_session_is_never_written_to) {
  const ScratchFolder scratch;
  const Engine engine;
  {
    auto writer = created(settings_for(scratch / "s"), engine);
    SessionTotals totals(engine);
    writer->finish("end of input", totals);
  }
  EXPECT_EQ(creation_error(scratch / "s", engine),
            scratch / "s" + ": expected a new or empty folder, found one with something in it");
}

TEST(Session, an_empty_folder_will_do_and_a_file_will_not) {
  const ScratchFolder scratch;
  const Engine engine;
  std::filesystem::create_directory(scratch / "empty");
  EXPECT_EQ(creation_error(scratch / "empty", engine), "");
  test::write_text(scratch / "file", "x");
  EXPECT_NE(creation_error(scratch / "file", engine), "");
  EXPECT_NE(creation_error(scratch / "file/below", engine), "");
}

TEST(Session, a_span_that_the_writer_missed_is_marked_and_never_bridged) {
  const ScratchFolder scratch;
  const Engine engine;
  const ItemBuffer items = test::wheel_items(10);
  std::vector<std::string> told;
  auto writer = created(settings_for(scratch / "s", &told), engine);
  writer->append(part(items, 0, 100));
  EXPECT_FALSE(writer->wants_marker());
  writer->append(part(items, 150, 50));  // 100 to 149 never came
  EXPECT_TRUE(writer->wants_marker());
  writer->append(part(items, 200, 20));  // before the marker: not recorded either
  const ItemBuffer mark = marker(220, items.items[220].host_ns);
  writer->append(mark.batch());
  EXPECT_FALSE(writer->wants_marker());
  ItemBuffer rest;
  for (std::size_t i = 222; i < 300; ++i) {
    rest.add_copy(items.items[i], items.payload);
  }
  writer->append(rest.batch());
  SessionTotals totals(engine);
  EXPECT_FALSE(writer->finish("signal", totals));
  EXPECT_EQ(writer->lost_items(), 120U);
  EXPECT_EQ(told.size(), 2U);
  CaptureReport report;
  const ItemBuffer read = read_session(scratch / "s", &report);
  EXPECT_EQ(read.items.size(), 100U + 2U + 78U);  // no stand-ins: the recorder's own marker is there
  ASSERT_EQ(report.holes.size(), 1U);
  EXPECT_TRUE(report.holes.front().marked);
  EXPECT_EQ(report.holes.front().first_sequence, 100U);
  EXPECT_EQ(report.missing_items, 120U);
}

// A limit on the size of files stands for a full disk: writes fail half-way until it is lifted.
TEST(Session, recording_goes_on_by_itself_when_the_disk_takes_data_again) {
  const ScratchFolder scratch;
  const Engine engine;
  const ItemBuffer items = test::wheel_items(400);
  std::vector<std::string> told;
  auto writer = created(settings_for(scratch / "s", &told), engine);
  std::signal(SIGXFSZ, SIG_IGN);
  rlimit old_limit{};
  ASSERT_EQ(::getrlimit(RLIMIT_FSIZE, &old_limit), 0);
  const rlimit tight{600, old_limit.rlim_max};
  ASSERT_EQ(::setrlimit(RLIMIT_FSIZE, &tight), 0);
  std::size_t at = 0;
  for (; at < 8000; at += 1000) {
    writer->append(part(items, at, 1000));
  }
  ASSERT_EQ(::setrlimit(RLIMIT_FSIZE, &old_limit), 0);
  EXPECT_GT(writer->lost_items(), 0U);
  EXPECT_FALSE(writer->wants_marker());
  ASSERT_FALSE(told.empty());
  EXPECT_NE(told.front().find("000001.cwr: cannot write: File too large"), std::string::npos) << told.front();
  std::this_thread::sleep_for(std::chrono::milliseconds(1100));
  writer->append(part(items, at, 1000));
  at += 1000;
  EXPECT_TRUE(writer->wants_marker());
  const std::uint64_t next = items.items[at].sequence;
  writer->append(marker(next, items.items[at].host_ns).batch());
  writer->append(part(items, at + 2, 1000));
  SessionTotals totals(engine);
  EXPECT_TRUE(writer->finish("signal", totals));  // the problem is not forgotten
  CaptureReport report;
  const ItemBuffer read = read_session(scratch / "s", &report);
  EXPECT_EQ(report.bytes_dropped, 0U);  // the half-written block was cut away again
  EXPECT_EQ(report.missing_items, writer->lost_items());
  EXPECT_EQ(read.items.back().sequence, items.items[at + 1001].sequence);
}

TEST(Session, damage_is_replayed_as_a_gap_with_names_and_a_new_epoch) {
  const ScratchFolder scratch;
  const Engine engine;
  const ItemBuffer items = test::wheel_items(100);
  {
    auto writer = created(settings_for(scratch / "s"), engine);
    writer->append(items.batch());
    SessionTotals totals(engine);
    writer->finish("end of input", totals);
  }
  std::string bytes = test::file_text(scratch / "s/capture/000001.cwr");
  bytes[file_header_size + block_header_size + 10] ^= 1;  // the first block is lost, and the names in it
  test::write_text(scratch / "s/capture/000001.cwr", bytes);
  CaptureReport report;
  const ItemBuffer read = read_session(scratch / "s", &report);
  ASSERT_EQ(report.hole_count, 1U);
  const std::uint64_t missing = report.missing_items;
  ASSERT_EQ(read.items.size(), items.items.size() - missing + 4);
  EXPECT_EQ(read.items[0].code, static_cast<std::uint8_t>(LinkNote::channel_named));
  EXPECT_EQ(read.items[1].code, static_cast<std::uint8_t>(LinkNote::channel_named));
  EXPECT_EQ(read.items[2].kind, ItemKind::gap);
  const auto count = payload_of(read.items[2], read.payload);
  ASSERT_EQ(count.size(), 8U);
  EXPECT_EQ(std::to_integer<std::uint64_t>(count[0]) + 256 * std::to_integer<std::uint64_t>(count[1]), missing);
  EXPECT_EQ(read.items[3].code, static_cast<std::uint8_t>(LinkNote::new_epoch));
  EXPECT_EQ(read.items[4].sequence, missing);
  for (std::size_t i = 1; i < read.items.size(); ++i) {
    EXPECT_LE(read.items[i - 1].sequence, read.items[i].sequence);
  }
}

TEST(Session, without_its_session_toml_the_items_can_still_be_read) {
  const ScratchFolder scratch;
  const Engine engine;
  const ItemBuffer items = test::wheel_items(3);
  {
    auto writer = created(settings_for(scratch / "s"), engine);
    writer->append(items.batch());
    SessionTotals totals(engine);
    writer->finish("end of input", totals);
  }
  std::filesystem::remove(scratch / "s/session.toml");
  EXPECT_TRUE(is_session(scratch / "s"));
  auto reader = SessionReader::open(scratch / "s");
  ASSERT_TRUE(std::holds_alternative<SessionReader>(reader));
  EXPECT_FALSE(std::get<SessionReader>(reader).info());
  EXPECT_NE(std::get<SessionReader>(reader).info_problem(), "");
  EXPECT_TRUE(test::same_items(read_session(scratch / "s").batch(), items.batch()));
}

TEST(Session, summary_counts_findings_and_says_what_was_not_watched) {
  const ScratchFolder scratch;
  Engine engine;
  engine.name = "trial";
  SessionTotals totals(engine);
  const ItemBuffer items = test::wheel_items(100);
  totals.take_items(items.batch());
  Finding finding;
  finding.kind = FindingKind::sync_lost;
  finding.severity = Severity::fault;
  finding.phase = FindingPhase::open;
  totals.on_finding(finding);
  finding.phase = FindingPhase::close;
  totals.on_finding(finding);
  totals.on_state({LockState::no_signal, LockState::cycle_locked, 0, 500'000'000});
  totals.finish();
  const auto json = parse_json(summary_json(totals, engine, std::nullopt, {0, "end of input"}));
  EXPECT_EQ(json.at("kinds").at("sync-lost"), 1);
  EXPECT_EQ(json.at("findings").at("fault"), 1);
  EXPECT_EQ(json.at("state_s").at("no-signal"), 0.5);
  EXPECT_EQ(json.at("state_s").at("cycle-locked"), 1.5);
  EXPECT_EQ(json.at("not_watched").size(), 4U);  // no cam, no reference, offset unverified, no CAN
  EXPECT_TRUE(fails(totals, Severity::warning));
  EXPECT_TRUE(fails(totals, Severity::fault));
  EXPECT_FALSE(fails(totals, std::nullopt));
}

}  // namespace
}  // namespace cw
