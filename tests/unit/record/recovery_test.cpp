// Sessions that are cut or damaged in any of their files, and what recover_session makes of them.
#include <gtest/gtest.h>

#include <functional>
#include <random>
#include <set>

#include "record/session_reader.hpp"
#include "record/session_recovery.hpp"
#include "record/session_writer.hpp"
#include "tests/unit/record/capture_trial.hpp"
#include "tests/unit/record/scratch_folder.hpp"
#include "tests/unit/text_lines.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::expect_nothing_invented;
using test::read_capture;
using test::ScratchFolder;

const std::vector<std::string> session_files = {"session.toml", "capture/000001.cwr", "events.jsonl",
                                                "trend.csv",    "service.jsonl",      "summary.json"};

// A small closed session of blocks with a finding in each and two rows.
struct SmallSession {
  explicit SmallSession(int turns = 6) : items(test::wheel_items(turns)) {
    SessionSettings settings;
    settings.folder = folder / "s";
    settings.info.id = test::trial_id;
    settings.info.engine_file_name = "engine.toml";
    settings.info.engine_file_text = "[engine]\nname = \"three \\\" quotes\"\n";
    settings.info.anchor = WallAnchor{0, 1'772'366'400'000'000'000};
    settings.layer = unsynced();
    auto created = SessionWriter::create(std::move(settings), engine);
    SessionWriter& writer = *std::get<std::unique_ptr<SessionWriter>>(created);
    SessionTotals totals(engine);
    constexpr std::size_t step = 60;
    for (std::size_t at = 0; at < items.items.size(); at += step) {
      const ItemBatch batch{std::span(items.items).subspan(at, std::min(step, items.items.size() - at)), items.payload};
      writer.append(batch);
      totals.take_items(batch);
      Finding finding;
      finding.id = at / step + 1;
      finding.session_ns = batch.items.back().host_ns - items.items.front().host_ns;
      finding.evidence_first = at;
      finding.evidence_last = batch.items.back().sequence;
      writer.on_finding(finding);
      Second second;
      second.session_ns = finding.session_ns;
      writer.on_second(second);
      writer.commit();
    }
    EXPECT_FALSE(writer.finish("end of input", totals));
    for (const std::string& name : session_files) {
      texts.push_back(test::file_text(folder / "s/" + name));
    }
  }
  static FileLayer unsynced() {
    FileLayer layer;
    layer.sync = [](int) { return 0; };
    layer.sync_folder = [](const std::string&) { return 0; };
    return layer;
  }
  RecoveryReport recover(const std::string& from, const std::string& to) const {
    const auto result = recover_session({folder / from, folder / to, "test", unsynced()});
    const auto* failure = std::get_if<RecoveryFailure>(&result);
    EXPECT_EQ(failure, nullptr) << failure->why;
    return std::get<RecoveryReport>(result);
  }
  // Recovers the session with one of its files replaced.
  RecoveryReport recover_with(std::size_t file, const std::string& text) const {
    std::filesystem::remove_all(folder / "out");
    test::write_text(folder / "s/" + session_files[file], text);
    const RecoveryReport report = recover("s", "out");
    test::write_text(folder / "s/" + session_files[file], texts[file]);
    return report;
  }

  const ScratchFolder folder{test::memory_place()};
  const Engine engine;
  const ItemBuffer items;
  std::vector<std::string> texts;
};

// The items of the recovered capture without those that mark a hole.
test::ReadBack read_recorded(const std::string& folder) {
  test::ReadBack read = read_capture(folder);
  std::erase_if(read.items.items, [](const Item& item) {
    return is_marker(item) ||
           (item.kind == ItemKind::link_note && item.code == static_cast<std::uint8_t>(LinkNote::new_epoch));
  });
  return read;
}

void expect_part_of(const SmallSession& small, const RecoveryReport& report) {
  if (report.answer == RecoveryAnswer::nothing) {
    EXPECT_FALSE(std::filesystem::exists(small.folder / "out"));
    return;
  }
  expect_nothing_invented(read_recorded(small.folder / "out/capture"), small.items);
  for (const std::size_t file : {std::size_t{2}, std::size_t{3}}) {
    const auto written = test::line_set(small.texts[file]);
    for (const std::string& line : test::line_set(test::file_text(small.folder / "out/" + session_files[file]))) {
      ASSERT_TRUE(written.contains(line)) << "invented: " << line;
    }
  }
  auto reader = SessionReader::open(small.folder / "out");
  const auto& info = std::get<SessionReader>(reader).info();
  ASSERT_TRUE(info);
  ASSERT_TRUE(info->engine_file_text.empty() || info->engine_file_text == "[engine]\nname = \"three \\\" quotes\"\n");
}

TEST(Recovery, of_a_whole_session_is_whole_and_keeps_everything) {
  const SmallSession small;
  const RecoveryReport report = small.recover("s", "out");
  EXPECT_EQ(report.answer, RecoveryAnswer::whole);
  EXPECT_TRUE(test::same_items(read_capture(small.folder / "out/capture").items.batch(), small.items.batch()));
  for (const char* name : {"events.jsonl", "trend.csv", "summary.json", "service.jsonl"}) {
    EXPECT_EQ(test::file_text(small.folder / "out/" + name), test::file_text(small.folder / "s/" + name)) << name;
  }
  EXPECT_EQ(small.recover("out", "again").answer, RecoveryAnswer::whole);
}

TEST(Recovery, of_a_session_cut_at_any_byte_of_any_of_its_files_keeps_what_is_whole) {
  const SmallSession small;
  for (std::size_t file = 0; file < session_files.size(); ++file) {
    const std::string& text = small.texts[file];
    for (std::size_t cut = 0; cut < text.size(); ++cut) {
      const RecoveryReport report = small.recover_with(file, text.substr(0, cut));
      expect_part_of(small, report);
      // A text file that ends with a line shows no cut; what it told is found again by a replay.
      const bool at_line = file >= 2 && (cut == 0 || text[cut - 1] == '\n');
      const bool matters = !(at_line && session_files[file] != "summary.json") &&
                           session_files[file] != "service.jsonl" &&
                           (session_files[file] != "session.toml" || cut + 1 < text.rfind("# crc32c")) &&
                           (session_files[file] != "summary.json" || cut + 1 < text.size());
      ASSERT_TRUE(report.answer != RecoveryAnswer::whole || !matters) << session_files[file] << " cut at " << cut;
      if (file != 1) {
        ASSERT_EQ(report.capture.items, small.items.items.size());
      }
      if (::testing::Test::HasFatalFailure()) {
        FAIL() << session_files[file] << " cut at " << cut;
      }
    }
  }
}

// CW_SESSION_FLIPS=N: so many instead of 300.
TEST(Recovery, of_a_session_with_flipped_bits_never_crashes_and_invents_no_item) {
  const SmallSession small(20);
  std::mt19937_64 random(17);
  const std::uint64_t flips = test::count_from("CW_SESSION_FLIPS", 300);
  for (std::uint64_t i = 0; i < flips; ++i) {
    const std::size_t file = random() % session_files.size();
    std::string text = small.texts[file];
    for (std::uint64_t count = 1 + random() % 3; count > 0; --count) {
      text[random() % text.size()] ^= static_cast<char>(1 << (random() % 8));
    }
    const RecoveryReport report = small.recover_with(file, text);
    if (report.answer != RecoveryAnswer::nothing) {
      expect_nothing_invented(read_recorded(small.folder / "out/capture"), small.items);
    }
    ASSERT_FALSE(::testing::Test::HasFatalFailure()) << "flip " << i;
  }
}

TEST(Recovery, marks_a_hole_and_puts_aside_findings_whose_evidence_is_in_it) {
  const SmallSession small(20);
  std::string bytes = small.texts[1];
  const auto first = parse_block_header(std::as_bytes(std::span(bytes)).subspan(file_header_size));
  ASSERT_TRUE(first);
  bytes[file_header_size + block_header_size + first->stored_size + 70] ^= 1;  // in the second block
  const RecoveryReport report = small.recover_with(1, bytes);
  EXPECT_EQ(report.answer, RecoveryAnswer::lossy);
  EXPECT_EQ(report.events.without_evidence, 1U);
  const auto lost = parse_json(test::file_text(small.folder / "out/events-without-evidence.jsonl"));
  EXPECT_EQ(lost.at("id"), 2);
  const test::ReadBack read = read_capture(small.folder / "out/capture");
  EXPECT_EQ(read.report.damage_count, 0U);
  ASSERT_EQ(read.report.holes.size(), 1U);
  EXPECT_TRUE(read.report.holes.front().marked);
  const auto again = small.recover("out", "again");
  EXPECT_EQ(again.answer, RecoveryAnswer::lossy);
  EXPECT_EQ(again.events.without_evidence, 0U);
}

// The reader of the damaged session and the reader of the recovered one give the same stream.
TEST(Recovery, replays_as_its_damaged_source_does) {
  const SmallSession small(30);
  const auto stream = [&](const std::string& path) {
    auto reader = SessionReader::open(small.folder / path);
    ItemBuffer all;
    ItemBuffer items;
    while (std::get<SessionReader>(reader).next(items)) {
      for (const Item& item : items.items) {
        all.add_copy(item, items.payload);
      }
    }
    return all;
  };
  std::string bytes = small.texts[1];
  for (std::size_t at = file_header_size + 70; at < bytes.size(); at += bytes.size() / 3) {
    bytes[at] ^= 1;
  }
  small.recover_with(1, bytes);
  test::write_text(small.folder / "s/capture/000001.cwr", bytes);
  EXPECT_TRUE(test::same_items(stream("s").batch(), stream("out").batch()));
}

TEST(Recovery, tells_from_the_summary_that_the_end_is_missing) {
  const SmallSession small;
  const std::string& bytes = small.texts[1];
  std::size_t last = file_header_size;
  for (std::size_t at = last; at < bytes.size();) {
    last = at;
    at += block_header_size + parse_block_header(std::as_bytes(std::span(bytes)).subspan(at))->stored_size;
  }
  const RecoveryReport report = small.recover_with(1, bytes.substr(0, last));  // cut between two blocks
  EXPECT_EQ(report.answer, RecoveryAnswer::lossy);
  ASSERT_EQ(report.capture.holes.size(), 1U);
  EXPECT_FALSE(report.capture.holes.front().after_host_ns);
  EXPECT_EQ(report.capture.missing_items + report.capture.items, small.items.items.size());
}

TEST(Recovery, leaves_out_lines_of_another_session) {
  const SmallSession small;
  const std::string& text = small.texts[2];
  std::string stale = text.substr(0, text.find('\n') + 1);
  stale.replace(stale.find("2026-03-01"), 10, "2026-02-28");
  const RecoveryReport report = small.recover_with(2, text + stale);
  EXPECT_EQ(report.events.unreadable, 1U);
  EXPECT_EQ(test::file_text(small.folder / "out/events.jsonl"), text);
}

TEST(Recovery, of_a_capture_folder_and_of_one_segment_needs_no_session) {
  const SmallSession small;
  for (const char* from : {"s/capture", "s/capture/000001.cwr"}) {
    std::filesystem::remove_all(small.folder / "out");
    const RecoveryReport report = small.recover(from, "out");
    EXPECT_EQ(report.answer, RecoveryAnswer::whole);
    EXPECT_TRUE(report.capture_alone);
    EXPECT_FALSE(report.engine_known);
    EXPECT_TRUE(test::same_items(read_capture(small.folder / "out/capture").items.batch(), small.items.batch()));
  }
}

TEST(Recovery, of_nothing_writes_nothing) {
  const SmallSession small;
  const RecoveryReport report = small.recover_with(1, "");
  EXPECT_EQ(report.answer, RecoveryAnswer::nothing);
  EXPECT_FALSE(std::filesystem::exists(small.folder / "out"));
}

TEST(Recovery, never_touches_its_source_nor_a_folder_with_something_in_it) {
  const SmallSession small;
  small.recover("s", "out");
  for (std::size_t file = 0; file < session_files.size(); ++file) {
    EXPECT_EQ(test::file_text(small.folder / "s/" + session_files[file]), small.texts[file]);
  }
  const auto again = recover_session({small.folder / "s", small.folder / "out", "test"});
  ASSERT_TRUE(std::holds_alternative<RecoveryFailure>(again));
  EXPECT_TRUE(std::get<RecoveryFailure>(again).in_output);
}

}  // namespace
}  // namespace cw
