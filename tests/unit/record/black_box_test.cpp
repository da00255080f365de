#include "record/black_box.hpp"

#include <gtest/gtest.h>

#include "record/session_reader.hpp"
#include "record/session_writer.hpp"
#include "tests/unit/record/edge_maker.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

using test::ScratchFolder;

constexpr std::int64_t second = 1'000'000'000;

// Segment `number` of 10 s and 100 items, from the start of time.
SegmentSpan ten_seconds(std::uint32_t number) {
  return {number, (number - 1) * 100ULL, number * 100ULL, (number - 1) * 10 * second, number * 10 * second - 1};
}

std::vector<std::uint32_t> numbers(const std::vector<SegmentSpan>& segments) {
  std::vector<std::uint32_t> out;
  for (const SegmentSpan& segment : segments) {
    out.push_back(segment.number);
  }
  return out;
}

TEST(BlackBox, gives_up_a_segment_when_the_lead_in_and_the_time_of_deciding_have_passed) {
  BlackBox box({30 * second, 10 * second});
  std::vector<std::uint32_t> gone;
  for (std::uint32_t i = 1; i <= 10; ++i) {
    box.add(ten_seconds(i));
    for (const std::uint32_t number : numbers(box.take_removable(i * 10 * second))) {
      gone.push_back(number);
      EXPECT_EQ(number + 4, i);  // 40 s later
    }
  }
  EXPECT_EQ(gone, std::vector<std::uint32_t>({1, 2, 3, 4, 5, 6}));
}

TEST(BlackBox, keeps_what_the_window_of_a_finding_reaches_and_no_more) {
  BlackBox box({30 * second, 10 * second});
  std::vector<std::uint32_t> gone;
  for (std::uint32_t i = 1; i <= 30; ++i) {
    box.add(ten_seconds(i));
    if (i == 12) {
      box.keep_around(120 * second, 1150);  // evidence in segment 12, from 110 s on: 80 s to 130 s
    }
    for (const std::uint32_t number : numbers(box.take_removable(i * 10 * second))) {
      gone.push_back(number);
    }
  }
  for (std::uint32_t i = 1; i <= 26; ++i) {
    EXPECT_EQ(std::find(gone.begin(), gone.end(), i) == gone.end(), i >= 9 && i <= 14) << i;
  }
}

TEST(BlackBox, windows_that_overlap_leave_nothing_out_between_them) {
  BlackBox box({30 * second, 10 * second});
  std::vector<std::uint32_t> gone;
  for (std::uint32_t i = 1; i <= 40; ++i) {
    box.add(ten_seconds(i));
    if (i == 12 || i == 15) {
      box.keep_around(i * 10 * second, i * 100ULL - 50);
    }
    for (const std::uint32_t number : numbers(box.take_removable(i * 10 * second))) {
      gone.push_back(number);
    }
  }
  for (std::uint32_t i = 9; i <= 17; ++i) {
    EXPECT_EQ(std::find(gone.begin(), gone.end(), i), gone.end()) << i;
  }
  EXPECT_NE(std::find(gone.begin(), gone.end(), 8U), gone.end());
  EXPECT_NE(std::find(gone.begin(), gone.end(), 18U), gone.end());
}

// Ten minutes of a running wheel, a second at a time, with one finding of each severity.
struct Trip {
  explicit Trip(const std::string& folder) {
    SessionSettings settings;
    settings.folder = folder;
    settings.info.id = 77;
    settings.black_box = BlackBoxSettings{30 * second, 10 * second};
    settings.live = false;  // so that not every block is synced: that takes long
    auto created = SessionWriter::create(std::move(settings), engine);
    auto& writer = *std::get<std::unique_ptr<SessionWriter>>(created);
    std::size_t at = 0;
    for (std::int64_t s = 1; s <= 600; ++s) {
      const std::size_t from = at;
      while (at < items.items.size() && items.items[at].host_ns < s * second) {
        ++at;
      }
      writer.append({std::span(items.items).subspan(from, at - from), items.payload});
      if (s == 200 || s == 400) {
        Finding finding;
        finding.severity = s == 200 ? Severity::warning : Severity::info;
        finding.session_ns = s * second;
        finding.evidence_first = from;
        finding.evidence_last = at - 1;
        writer.on_finding(finding);
      }
      writer.commit();
      most_bytes = std::max(most_bytes, capture_bytes(folder));
    }
    SessionTotals totals(engine);
    totals.take_items({std::span(items.items).first(at), items.payload});
    EXPECT_FALSE(writer.finish("end of input", totals));
  }

  static std::uint64_t capture_bytes(const std::string& folder) {
    std::uint64_t bytes = 0;
    for (const auto& entry : std::filesystem::directory_iterator(folder + "/capture")) {
      bytes += entry.file_size();
    }
    return bytes;
  }

  const Engine engine;
  const ItemBuffer items = test::wheel_items(30'000);  // 20 ms a turn: 600 s
  std::uint64_t most_bytes = 0;
};

TEST(BlackBoxSession, keeps_the_window_of_a_warning_and_the_end_and_lists_what_it_removed) {
  const ScratchFolder scratch;
  const Trip trip(scratch / "s");
  auto opened = SessionReader::open(scratch / "s");
  auto& reader = std::get<SessionReader>(opened);
  std::vector<std::int64_t> times;
  std::vector<std::size_t> epochs;
  for (ItemBuffer some; reader.next(some);) {
    for (const Item& item : some.items) {
      if (item.kind == ItemKind::gap) {
        epochs.push_back(times.size());
        EXPECT_EQ(gap_count(payload_of(item, some.payload)), 0U);  // nothing was lost
      }
      times.push_back(item.host_ns / second);
    }
  }
  ASSERT_EQ(epochs.size(), 2U);  // the window and the end, each an epoch of its own; the info has no window
  EXPECT_GE(times.front(), 159);
  EXPECT_LE(times.front(), 170);
  const std::int64_t window_end = times[epochs[1] - 1];
  EXPECT_GE(window_end, 209);
  EXPECT_LE(window_end, 221);
  EXPECT_GE(times[epochs[1]], 540);
  EXPECT_LE(times[epochs[1]], 570);
  EXPECT_EQ(times.back(), 599);
  EXPECT_EQ(reader.report().missing_items, reader.report().not_kept_items);
  EXPECT_EQ(reader.report().bytes_dropped, 0U);
}

TEST(BlackBoxSession, takes_no_more_of_the_disk_than_its_windows_and_a_minute) {
  const ScratchFolder scratch;
  const Trip trip(scratch / "s");
  const ScratchFolder other;
  SessionSettings settings;
  settings.folder = other / "s";
  settings.live = false;
  auto created = SessionWriter::create(std::move(settings), trip.engine);
  auto& writer = *std::get<std::unique_ptr<SessionWriter>>(created);
  writer.append(trip.items.batch());
  SessionTotals totals(trip.engine);
  writer.finish("end of input", totals);
  const std::uint64_t everything = Trip::capture_bytes(other / "s");
  EXPECT_LT(trip.most_bytes, everything / 4);  // 60 s of window and 50 s of end out of 600 s
}

TEST(BlackBoxSession, what_is_missing_without_being_listed_is_told_as_lost) {
  const ScratchFolder scratch;
  const Trip trip(scratch / "s");
  std::filesystem::remove(scratch / "s/capture/removed.csv");
  auto opened = SessionReader::open(scratch / "s");
  auto& reader = std::get<SessionReader>(opened);
  for (ItemBuffer some; reader.next(some);) {
  }
  EXPECT_GT(reader.report().missing_items, 0U);
  EXPECT_EQ(reader.report().not_kept_items, 0U);
}

TEST(RemovedRanges, join_when_they_touch_and_cover_only_what_is_in_one) {
  RemovedRanges removed;
  removed.add({100, 199});
  removed.add({300, 399});
  EXPECT_FALSE(removed.covers({150, 350}));
  removed.add({200, 299});
  EXPECT_EQ(removed.ranges(), std::vector<SequenceRange>({{100, 399}}));
  EXPECT_TRUE(removed.covers({100, 399}));
  EXPECT_FALSE(removed.covers({99, 399}));
}

TEST(RemovedRanges, a_line_that_is_not_sound_counts_as_not_listed) {
  const ScratchFolder scratch;
  test::write_text(scratch / "removed.csv", "first_sequence,last_sequence\n1,2\n9,5\nx,3\n20,21,\n30,-1\n40,41\n50,5");
  EXPECT_EQ(read_removed_ranges(scratch.path()).ranges(), std::vector<SequenceRange>({{1, 2}, {40, 41}}));
}

}  // namespace
}  // namespace cw
