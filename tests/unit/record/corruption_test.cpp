// A short test for each kind of damage to a capture. Always: no crash, nothing given out that was not recorded, and all
// whole blocks that stand in their place are read.
#include <gtest/gtest.h>
#include <zstd.h>

#include "record/session_reader.hpp"
#include "tests/unit/record/capture_trial.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

using test::expect_nothing_invented;
using test::read_capture;
using test::ReadBack;
using test::ScratchFolder;
using test::trial_id;
using test::write_capture;

struct BlockSpan {
  std::size_t at = 0;
  std::size_t size = 0;
};

std::vector<BlockSpan> blocks_of(const std::string& bytes) {
  std::vector<BlockSpan> blocks;
  for (std::size_t at = file_header_size; at < bytes.size();) {
    const auto header = parse_block_header(std::as_bytes(std::span(bytes)).subspan(at));
    EXPECT_TRUE(header);
    blocks.push_back({at, block_header_size + header->stored_size});
    at += blocks.back().size;
  }
  return blocks;
}

// A capture of one segment with blocks of 100 items, to be damaged.
struct Damaged {
  Damaged() {
    write_capture(folder.path(), items, 100);
    bytes = test::file_text(path);
    blocks = blocks_of(bytes);
  }
  ReadBack read() const {
    test::write_text(path, bytes);
    ReadBack back = read_capture(folder.path());
    expect_nothing_invented(back, items);
    return back;
  }
  // Puts the checksum of the block at `at` right again, whatever it holds.
  void sign(std::size_t at, std::size_t size) {
    const std::uint32_t checksum = test::crc_of_block(std::as_bytes(std::span(bytes)).subspan(at, size));
    put(at + 4, checksum);
  }
  void put(std::size_t at, std::uint32_t value) {
    for (std::size_t byte = 0; byte < 4; ++byte) {
      bytes[at + byte] = static_cast<char>(value >> (8 * byte));
    }
  }

  const ScratchFolder folder;
  const std::string path = folder / "000001.cwr";
  const ItemBuffer items = test::wheel_items(40);
  std::string bytes;
  std::vector<BlockSpan> blocks;
};

TEST(Corruption, a_torn_block_header_costs_that_block_only) {
  Damaged damaged;
  damaged.bytes.replace(damaged.blocks[3].at + 30, 34, 34, '\0');
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.blocks, damaged.blocks.size() - 1);
  EXPECT_EQ(read.report.bytes_dropped, damaged.blocks[3].size);
}

TEST(Corruption, a_torn_body_costs_that_block_only) {
  Damaged damaged;
  const BlockSpan block = damaged.blocks[2];
  damaged.bytes.replace(block.at + block.size - 20, 20, 20, '\0');
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.blocks, damaged.blocks.size() - 1);
  EXPECT_EQ(read.report.damage.front().reason, "checksum does not fit");
}

TEST(Corruption, a_damaged_file_header_costs_nothing) {
  Damaged damaged;
  damaged.bytes.replace(0, file_header_size, file_header_size, '\0');
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.blocks, damaged.blocks.size());
  EXPECT_EQ(read.report.bytes_dropped, file_header_size);
}

TEST(Corruption, a_zeroed_page_costs_the_blocks_that_it_touches) {
  Damaged damaged;
  const std::size_t from = 512;
  const std::size_t to = 1024;
  damaged.bytes.replace(from, to - from, to - from, '\0');
  std::size_t touched = 0;
  for (const BlockSpan& block : damaged.blocks) {
    touched += block.at < to && block.at + block.size > from ? 1U : 0U;
  }
  const ReadBack read = damaged.read();
  ASSERT_GT(touched, 0U);
  EXPECT_EQ(read.report.blocks, damaged.blocks.size() - touched);
}

TEST(Corruption, a_stale_block_in_front_does_not_pass_for_the_session) {
  Damaged damaged;
  // An older session left a sound block where the first one stands now.
  BlockEncoder older;
  older.add(test::item_at(ItemKind::edge, 5, 5, 0), {});
  const auto stale = older.finish({trial_id + 1, 1, file_header_size});
  const BlockSpan first = damaged.blocks.front();
  ASSERT_LE(stale.size(), first.size);
  damaged.bytes.replace(first.at, stale.size(), reinterpret_cast<const char*>(stale.data()), stale.size());
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.blocks, damaged.blocks.size() - 1);
  EXPECT_EQ(read.report.damage.front().reason, "block of another session");
  auto told = CaptureReader::open(damaged.folder.path(), trial_id);
  CaptureBlock block;
  ASSERT_TRUE(std::get<CaptureReader>(told).next(block));
  EXPECT_EQ(block.items.items.front().sequence, 100U);
}

TEST(Corruption, a_block_written_twice_is_read_once) {
  Damaged damaged;
  const BlockSpan block = damaged.blocks[1];
  damaged.bytes.insert(block.at + block.size, damaged.bytes.substr(block.at, block.size));
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.block_first[1], 100U);
  EXPECT_EQ(read.report.blocks, 2U);  // those behind it no longer stand where they say
}

TEST(Corruption, swapped_blocks_are_passed_over_and_the_rest_is_read) {
  Damaged damaged;
  const BlockSpan one = damaged.blocks[1];
  const BlockSpan two = damaged.blocks[2];
  const std::string swapped = damaged.bytes.substr(two.at, two.size) + damaged.bytes.substr(one.at, one.size);
  damaged.bytes.replace(one.at, swapped.size(), swapped);
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.blocks, damaged.blocks.size() - 2);
  ASSERT_EQ(read.report.holes.size(), 1U);
  EXPECT_EQ(read.report.holes.front().items, 200U);
}

TEST(Corruption, a_flipped_codec_is_seen_even_when_the_checksum_fits) {
  Damaged damaged;
  const BlockSpan block = damaged.blocks[1];
  damaged.put(block.at + 20, 0);  // stored, though it is a zstd frame
  damaged.sign(block.at, block.size);
  EXPECT_EQ(damaged.read().report.blocks, damaged.blocks.size() - 1);
  damaged.put(block.at + 20, 7);
  damaged.sign(block.at, block.size);
  EXPECT_EQ(damaged.read().report.damage.front().reason, "no sound block header");
}

TEST(Corruption, a_frame_that_unpacks_to_far_more_than_the_limit_is_refused) {
  Damaged damaged;
  const std::string zeros(64UL * 1024 * 1024, '\0');
  std::string frame(ZSTD_compressBound(zeros.size()), '\0');
  frame.resize(ZSTD_compress(frame.data(), frame.size(), zeros.data(), zeros.size(), 1));
  const std::size_t at = damaged.bytes.size();
  damaged.bytes += damaged.bytes.substr(damaged.blocks[1].at, block_header_size) + frame;
  damaged.put(at + 8, static_cast<std::uint32_t>(frame.size()));
  damaged.put(at + 12, raw_size_max);
  damaged.put(at + 60, static_cast<std::uint32_t>(at));
  damaged.sign(at, block_header_size + frame.size());
  EXPECT_EQ(damaged.read().report.damage.front().reason, "does not unpack");
  damaged.put(at + 12, raw_size_max + 1);
  damaged.sign(at, block_header_size + frame.size());
  EXPECT_EQ(damaged.read().report.damage.front().reason, "no sound block header");
}

TEST(Corruption, sizes_beyond_the_file_are_a_cut_block_and_nothing_is_read_past_the_end) {
  Damaged damaged;
  damaged.put(damaged.blocks.back().at + 8, stored_size_max);
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.blocks, damaged.blocks.size() - 1);
  EXPECT_EQ(read.report.damage.front().reason, "block is cut off");
}

TEST(Corruption, garbage_at_the_end_is_told_and_costs_nothing) {
  Damaged damaged;
  damaged.bytes += std::string(1000, 'K') + "KBWC" + std::string(300, '\0');
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.items, damaged.items.items.size());
  EXPECT_EQ(read.report.bytes_dropped, 1304U);
  EXPECT_EQ(read.report.missing_items, 0U);
}

TEST(Corruption, a_whole_block_inside_a_payload_is_not_taken_for_one) {
  const ScratchFolder folder;
  ItemBuffer items;
  BlockEncoder inner(BlockCodec::stored);
  inner.add(test::item_at(ItemKind::edge, 7, 7, 1000), {});
  const auto made = inner.finish({trial_id, 1, file_header_size});
  const std::vector<std::byte> payload(made.begin(), made.end());
  items.add_with_payload(test::item_at(ItemKind::can_frame, 1, 1, 0), payload);
  items.items.push_back(test::item_at(ItemKind::edge, 2, 2, 1));
  CaptureWriter writer({folder.path(), trial_id, false, 1U << 20U, BlockCodec::stored});
  ASSERT_FALSE(writer.begin_segment());
  ASSERT_FALSE(writer.append(items.batch()));
  ASSERT_FALSE(writer.close_block());
  ASSERT_FALSE(writer.close());
  EXPECT_EQ(read_capture(folder.path()).report.items, 2U);
  std::string bytes = test::file_text(folder / "000001.cwr");
  bytes[file_header_size + 8] ^= 1;  // the outer block is lost; the inner one lies open
  test::write_text(folder / "000001.cwr", bytes);
  EXPECT_EQ(read_capture(folder.path()).report.items, 0U);
}

TEST(Corruption, an_empty_file_is_no_error_and_no_damage) {
  Damaged damaged;
  test::write_text(damaged.folder / "000002.cwr", "");
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.items, damaged.items.items.size());
  EXPECT_TRUE(read.report.whole());
}

TEST(Corruption, a_segment_that_cannot_be_read_is_told) {
  Damaged damaged;
  std::filesystem::create_directory(damaged.folder / "000002.cwr");
  const ReadBack read = damaged.read();
  EXPECT_EQ(read.report.items, damaged.items.items.size());
  ASSERT_EQ(read.report.damage.size(), 1U);
  EXPECT_EQ(read.report.damage.front().reason, "cannot be read: Is a directory");
}

struct ManySegments {
  ManySegments() { write_capture(folder.path(), items, 0, 1500); }
  const ScratchFolder folder;
  const ItemBuffer items = test::wheel_items(600);
};

TEST(Corruption, renumbered_segments_are_read_in_their_own_order) {
  const ManySegments many;
  std::filesystem::rename(many.folder / "000001.cwr", many.folder / "000900.cwr");
  std::filesystem::rename(many.folder / "000003.cwr", many.folder / "000001.cwr");
  std::filesystem::rename(many.folder / "000002.cwr", many.folder / "kept.cwr");
  const ReadBack read = read_capture(many.folder.path());
  EXPECT_TRUE(test::same_items(read.items.batch(), many.items.batch()));
  EXPECT_TRUE(read.report.whole());
}

TEST(Corruption, a_copy_of_a_segment_gives_nothing_twice) {
  const ManySegments many;
  std::filesystem::copy_file(many.folder / "000002.cwr", many.folder / "copy.cwr");
  const ReadBack read = read_capture(many.folder.path());
  EXPECT_TRUE(test::same_items(read.items.batch(), many.items.batch()));
  EXPECT_EQ(read.report.damage.front().reason, "block repeats items that were read before");
}

TEST(Corruption, one_segment_alone_is_read_whatever_its_name_and_header) {
  const ManySegments many;
  std::string bytes = test::file_text(many.folder / "000002.cwr");
  bytes[3] ^= 1;
  const ScratchFolder alone;
  test::write_text(alone / "found.cwr", bytes);
  const ReadBack read = read_capture(alone / "found.cwr");
  expect_nothing_invented(read, many.items);
  EXPECT_GT(read.report.items, 0U);
  ASSERT_EQ(read.report.holes.size(), 1U);
  EXPECT_EQ(read.report.holes.front().first_sequence, 0U);
}

TEST(Corruption, a_segment_of_another_session_among_ours_is_passed_over) {
  const ManySegments many;
  const ScratchFolder other;
  CaptureWriter writer({other.path(), trial_id + 9, false, 1U << 20U, BlockCodec::zstd});
  ASSERT_FALSE(writer.begin_segment());
  ASSERT_FALSE(writer.append({std::span(many.items.items).first(500), many.items.payload}));
  ASSERT_FALSE(writer.close_block());
  ASSERT_FALSE(writer.close());
  std::filesystem::copy_file(other / "000001.cwr", many.folder / "000000.cwr");
  const ReadBack read = read_capture(many.folder.path());
  EXPECT_TRUE(test::same_items(read.items.batch(), many.items.batch()));
  EXPECT_GT(read.report.bytes_dropped, 0U);
}

}  // namespace
}  // namespace cw
