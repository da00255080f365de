// A session on a disk that is full, read-only, slow or gone: what is told, what is kept, and how recording goes on.
#include <gtest/gtest.h>

#include <sstream>

#include "record/session_reader.hpp"
#include "record/session_writer.hpp"
#include "tests/unit/record/edge_maker.hpp"
#include "tests/unit/record/scratch_folder.hpp"
#include "tests/unit/record/troubled_disk.hpp"
#include "text/json.hpp"

namespace cw {
namespace {

using test::ScratchFolder;
using test::TroubledDisk;

constexpr std::size_t step = 200;  // items of one append; a block is closed with each finding and each second of them

struct Recorded {
  std::uint64_t items = 0;
  CaptureReport report;
};

// A session that is fed `step` items of a steady wheel at a time.
class Recording {
 public:
  explicit Recording(std::uint64_t floor_bytes = 0,
                     std::chrono::milliseconds stall_after = std::chrono::milliseconds(60'000)) {
    SessionSettings settings;
    settings.folder = folder;
    settings.info.id = 77;
    settings.tell = [this](const std::string& line) { told.push_back(line); };
    settings.layer = disk.layer();
    settings.free_floor_bytes = floor_bytes;
    settings.look_every = std::chrono::milliseconds(1);
    settings.stall_after = stall_after;
    auto created = SessionWriter::create(std::move(settings), engine);
    writer = std::move(std::get<std::unique_ptr<SessionWriter>>(created));
  }

  void feed(int times = 1) {
    for (int i = 0; i < times; ++i, at += step) {
      std::this_thread::sleep_for(std::chrono::milliseconds(2));  // longer than look_every
      writer->append({std::span(items.items).subspan(at, step), items.payload});
      Second second;
      second.session_ns = items.items[at].host_ns;
      writer->on_second(second);
      writer->commit();
    }
  }

  // The marker takes the place of the next two items, as the sequencer would put it.
  void feed_marker() {
    ItemBuffer marker;
    Item gap = test::item_at(ItemKind::gap, 0, items.items[at].host_ns, at);
    gap.code = static_cast<std::uint8_t>(GapReason::recorder_behind);
    Item note = test::item_at(ItemKind::link_note, 0, items.items[at].host_ns, at + 1);
    note.code = static_cast<std::uint8_t>(LinkNote::new_epoch);
    marker.items = {gap, note};
    at += 2;
    writer->append(marker.batch());
  }

  void find(Severity severity = Severity::fault) {
    Finding finding;
    finding.id = ++findings;
    finding.severity = severity;
    finding.evidence_first = at - step;
    finding.evidence_last = at - 1;
    finding.session_ns = items.items[at - 1].host_ns;
    writer->on_finding(finding);
    writer->commit();
  }

  Problem finish() {
    SessionTotals totals(engine);
    totals.take_items({std::span(items.items).first(at), items.payload});
    return writer->finish("signal", totals);
  }

  std::string text(const std::string& name) const { return test::file_text(folder + "/" + name); }
  std::vector<std::uint64_t> finding_ids() const {
    std::vector<std::uint64_t> ids;
    std::istringstream lines(text("events.jsonl"));
    for (std::string line; std::getline(lines, line);) {
      ids.push_back(parse_json(line).at("id").get<std::uint64_t>());
    }
    return ids;
  }
  Recorded read() const {
    auto opened = SessionReader::open(folder);
    auto& reader = std::get<SessionReader>(opened);
    Recorded recorded;
    for (ItemBuffer some; reader.next(some);) {
    }
    recorded.report = reader.report();
    recorded.items = recorded.report.items;  // without stand-ins for names
    return recorded;
  }
  std::size_t segments() const {
    return static_cast<std::size_t>(std::distance(std::filesystem::directory_iterator(folder + "/capture"), {}));
  }

  const ScratchFolder scratch;
  const std::string folder = scratch / "s";
  const Engine engine;
  const ItemBuffer items = test::wheel_items(1000);
  TroubledDisk disk;
  std::vector<std::string> told;
  std::unique_ptr<SessionWriter> writer;
  std::size_t at = 0;
  std::uint64_t findings = 0;
};

bool contains(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

class RefusingDisk : public testing::TestWithParam<int> {};

TEST_P(RefusingDisk, is_told_once_and_once_when_it_is_over_and_recording_goes_on_behind_a_marked_hole) {
  Recording recording;
  recording.feed(5);
  recording.disk.refuse = GetParam();
  recording.feed(20);
  EXPECT_FALSE(recording.writer->wants_marker());
  ASSERT_EQ(recording.told.size(), 1U);
  EXPECT_TRUE(contains(recording.told[0], std::generic_category().message(GetParam()))) << recording.told[0];
  EXPECT_TRUE(contains(recording.told[0], "edges are not recorded until that is over, findings are kept"));
  recording.disk.refuse = 0;
  recording.feed(2);
  ASSERT_TRUE(recording.writer->wants_marker());
  recording.feed_marker();
  recording.feed(5);
  ASSERT_EQ(recording.told.size(), 3U);
  EXPECT_TRUE(contains(recording.told[1], "the disk takes data again"));
  EXPECT_TRUE(contains(recording.told[2], "recording again, "));
  EXPECT_TRUE(recording.finish());  // something was lost, and that is not forgotten
  const Recorded read = recording.read();
  ASSERT_EQ(read.report.hole_count, 1U);
  EXPECT_TRUE(read.report.holes[0].marked);
  EXPECT_EQ(read.report.missing_items, recording.writer->lost_items());
  EXPECT_EQ(read.items + read.report.missing_items, recording.at);
  const std::string service = recording.text("service.jsonl");
  EXPECT_TRUE(contains(service, "\"event\":\"recording-lost\",\"reason\":"));
  EXPECT_TRUE(contains(service, "\"event\":\"disk-takes-data\""));
  EXPECT_TRUE(contains(service, "\"event\":\"recording-resumed\",\"lost_items\":"));
}

INSTANTIATE_TEST_SUITE_P(full_readonly_broken, RefusingDisk, testing::Values(ENOSPC, EROFS, EIO),
                         [](const auto& value) { return "errno_" + std::to_string(value.param); });

TEST(DiskTrouble, findings_of_a_time_when_the_disk_refused_are_written_when_it_takes_data_again_in_their_order) {
  Recording recording;
  recording.feed(5);
  recording.find();
  recording.disk.refuse = ENOSPC;
  for (int i = 0; i < 10; ++i) {
    recording.feed();
    recording.find();
  }
  EXPECT_EQ(recording.finding_ids(), std::vector<std::uint64_t>({1}));
  recording.disk.refuse = 0;
  recording.feed(2);
  EXPECT_EQ(recording.finding_ids(), std::vector<std::uint64_t>({1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}));
}

TEST(DiskTrouble, findings_that_wait_are_written_at_the_end_even_if_the_disk_came_back_only_then) {
  Recording recording;
  recording.feed(5);
  recording.disk.refuse = EROFS;
  recording.feed();
  recording.find();
  recording.disk.refuse = 0;
  EXPECT_TRUE(recording.finish());
  EXPECT_EQ(recording.finding_ids(), std::vector<std::uint64_t>({1}));
}

TEST(DiskTrouble, a_disk_that_stays_full_is_not_filled_with_empty_segments) {
  Recording recording;
  recording.feed(5);
  recording.disk.refuse = ENOSPC;
  recording.feed(50);
  EXPECT_EQ(recording.segments(), 1U);
}

TEST(DiskTrouble, a_block_of_free_room_is_not_enough_to_begin_again) {
  Recording recording;
  recording.feed(5);
  recording.disk.refuse = ENOSPC;
  recording.feed(5);
  recording.disk.refuse = 0;
  recording.disk.free = 100'000;
  recording.feed(5);
  EXPECT_FALSE(recording.writer->wants_marker());
  recording.disk.free = 2'000'000;
  recording.feed(2);
  EXPECT_TRUE(recording.writer->wants_marker());
}

TEST(DiskTrouble, below_the_floor_edges_are_no_longer_written_and_findings_are) {
  Recording recording(10 * 1024 * 1024);
  recording.disk.free = 11 * 1024 * 1024;
  recording.feed(5);
  recording.disk.free = 9 * 1024 * 1024;
  recording.feed(5);
  recording.find();
  EXPECT_EQ(recording.finding_ids(), std::vector<std::uint64_t>({1}));  // at once
  ASSERT_EQ(recording.told.size(), 1U);
  EXPECT_TRUE(contains(recording.told[0], "9 MiB are free, less than the floor of 10 (free_floor_mib)"));
  recording.disk.free = 11 * 1024 * 1024;
  recording.feed(5);
  EXPECT_FALSE(recording.writer->wants_marker());  // a quarter more than the floor: it does not flap
  recording.disk.free = 13 * 1024 * 1024;
  recording.feed(2);
  EXPECT_TRUE(recording.writer->wants_marker());
  recording.feed_marker();
  recording.feed(2);
  EXPECT_FALSE(recording.finish());  // nothing failed; that items are missing shows in their count
  EXPECT_EQ(recording.read().report.missing_items, recording.writer->lost_items());
}

TEST(DiskTrouble, shows_in_the_health_of_the_recording_for_as_long_as_it_lasts) {
  Recording recording(10 * 1024 * 1024);
  recording.disk.free = 11 * 1024 * 1024;
  recording.feed(5);
  RecordingHealth health = recording.writer->health();
  EXPECT_TRUE(health.recording);
  EXPECT_EQ(health.trouble, "");
  EXPECT_EQ(health.lost_items, 0U);
  EXPECT_EQ(health.free_bytes, 11U * 1024 * 1024);
  recording.disk.free = 9 * 1024 * 1024;
  recording.feed(5);
  health = recording.writer->health();
  EXPECT_FALSE(health.recording);
  EXPECT_TRUE(contains(health.trouble, "less than the floor of 10"));
  EXPECT_GT(health.lost_items, 0U);
  recording.disk.free = 13 * 1024 * 1024;
  recording.feed(2);
  EXPECT_FALSE(recording.writer->health().recording) << "not before the marker";
  recording.feed_marker();
  EXPECT_TRUE(recording.writer->health().recording);
  EXPECT_EQ(recording.writer->health().trouble, "");
  recording.disk.refuse = ENOSPC;
  recording.find();
  EXPECT_FALSE(recording.writer->health().recording) << "what is found is not written";
  EXPECT_TRUE(contains(recording.writer->health().trouble, std::generic_category().message(ENOSPC)));
  recording.disk.refuse = 0;
  EXPECT_GE(recording.writer->health().lost_items, health.lost_items);
}

TEST(DiskTrouble, a_line_that_was_written_in_part_never_stays_before_the_next) {
  Recording recording;
  recording.feed(5);
  recording.find();
  recording.feed();
  recording.writer->commit();
  recording.disk.refuse_cut = true;
  recording.disk.part_first = 30;
  recording.find(Severity::warning);  // part of a block or of the line, and it can't be cut back
  recording.disk.refuse = 0;
  recording.feed(3);
  recording.disk.refuse_cut = false;
  recording.feed(3);
  recording.find();
  EXPECT_EQ(recording.finding_ids(), std::vector<std::uint64_t>({1, 2, 3}));
}

TEST(DiskTrouble, a_folder_that_was_removed_is_made_anew_and_recording_goes_on_in_it) {
  Recording recording;
  recording.feed(5);
  std::filesystem::remove_all(recording.folder);
  recording.feed(2);
  recording.find();
  recording.feed(2);
  ASSERT_TRUE(recording.writer->wants_marker());
  ASSERT_GE(recording.told.size(), 2U);
  EXPECT_EQ(recording.told[0],
            recording.folder +
                ": the folder is no longer there; edges are not recorded until that is over, findings "
                "are kept");
  recording.feed_marker();
  recording.feed(5);
  recording.finish();
  EXPECT_EQ(recording.finding_ids(), std::vector<std::uint64_t>({1}));
  const Recorded read = recording.read();
  EXPECT_EQ(read.items, 2U + 5 * step);
  EXPECT_TRUE(read.report.holes.at(0).marked);
  EXPECT_TRUE(std::filesystem::exists(recording.folder + "/session.toml"));
}

TEST(DiskTrouble, a_folder_that_was_away_and_comes_back_is_gone_on_with) {
  Recording recording;
  recording.feed(5);
  recording.find();
  // Another parent takes its place, so that nothing is made anew there meanwhile.
  std::filesystem::rename(recording.folder, recording.scratch / "away");
  test::write_text(recording.folder, "a file in its place");
  recording.feed(3);
  recording.find();
  EXPECT_FALSE(recording.writer->wants_marker());
  EXPECT_EQ(test::file_text(recording.folder), "a file in its place");
  std::filesystem::remove(recording.folder);
  std::filesystem::rename(recording.scratch / "away", recording.folder);
  recording.feed(2);
  ASSERT_TRUE(recording.writer->wants_marker());
  recording.feed_marker();
  recording.feed(5);
  recording.finish();
  EXPECT_EQ(recording.finding_ids(), std::vector<std::uint64_t>({1, 2}));
  EXPECT_EQ(recording.read().items, 5 * step + 2 + 5 * step);
}

TEST(DiskTrouble, another_session_in_its_place_is_never_written_to) {
  Recording recording;
  recording.feed(5);
  std::filesystem::rename(recording.folder, recording.scratch / "away");
  std::filesystem::create_directories(recording.folder + "/capture");
  test::write_text(recording.folder + "/session.toml", "format = 1\n");
  recording.feed(5);
  EXPECT_FALSE(recording.writer->wants_marker());
  EXPECT_EQ(std::distance(std::filesystem::directory_iterator(recording.folder), {}), 2);
}

TEST(DiskTrouble, a_stall_is_told_while_it_lasts_and_when_it_is_over_and_loses_nothing) {
  Recording recording(0, std::chrono::milliseconds(500));
  recording.feed(5);
  recording.disk.stalled = true;
  std::thread writing([&] { recording.feed(10); });
  std::this_thread::sleep_for(std::chrono::milliseconds(1000));
  recording.writer->look_for_stall();
  recording.writer->look_for_stall();
  ASSERT_EQ(recording.told.size(), 1U);
  EXPECT_TRUE(contains(recording.told[0], "the disk does not answer; analysis goes on"));
  recording.disk.stalled = false;
  writing.join();
  ASSERT_EQ(recording.told.size(), 2U);
  EXPECT_TRUE(contains(recording.told[1], "the disk answered again after "));
  EXPECT_FALSE(recording.finish());
  EXPECT_EQ(recording.read().items, recording.at);
  EXPECT_TRUE(contains(recording.text("service.jsonl"), "\"event\":\"disk-stalled\",\"for_s\":"));
}

TEST(DiskTrouble, what_the_input_has_to_say_never_waits_for_a_stalled_disk) {
  Recording recording;
  recording.feed(5);
  recording.disk.stalled = true;
  std::thread writing([&] { recording.feed(10); });
  std::thread ending([&] {
    std::this_thread::sleep_for(std::chrono::seconds(2));
    recording.disk.stalled = false;
  });
  std::this_thread::sleep_for(std::chrono::milliseconds(100));
  recording.writer->note_link("link-lost", 0, "gone");
  EXPECT_TRUE(recording.disk.stalled);  // it came back with the disk still stalled
  ending.join();
  writing.join();
  recording.finish();
  EXPECT_TRUE(contains(recording.text("service.jsonl"), "\"event\":\"link-lost\""));
}

}  // namespace
}  // namespace cw
