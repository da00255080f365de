#include <gtest/gtest.h>

#include <limits>
#include <random>

#include "tests/unit/record/capture_trial.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

using test::ScratchFolder;

using test::expect_nothing_invented;
using test::read_capture;
using test::ReadBack;
using test::trial_id;
using test::write_capture;

TEST(Capture, gives_back_what_was_written) {
  const ScratchFolder folder;
  const ItemBuffer items = test::wheel_items(500);
  write_capture(folder.path(), items);
  const ReadBack read = read_capture(folder.path());
  EXPECT_TRUE(test::same_items(read.items.batch(), items.batch()));
  EXPECT_TRUE(read.report.whole());
  EXPECT_GE(read.report.blocks, 19U);  // 10 s of host time, a block each 500 ms or so
}

TEST(Capture, takes_a_few_bytes_an_edge) {
  const ScratchFolder folder;
  const ItemBuffer items = test::wheel_items(2000);
  write_capture(folder.path(), items);
  const auto size = std::filesystem::file_size(folder / "000001.cwr");
  EXPECT_LT(static_cast<double>(size) / static_cast<double>(items.items.size()), 3.0);
}

TEST(Capture, gives_back_extreme_times_and_every_kind_of_item) {
  constexpr std::int64_t least = std::numeric_limits<std::int64_t>::min();
  constexpr std::int64_t greatest = std::numeric_limits<std::int64_t>::max();
  std::mt19937_64 random(7);
  ItemBuffer items;
  const std::array<std::int64_t, 6> times = {least, greatest, 0, -1, 1, least};
  for (int i = 0; i < 5000; ++i) {
    Item item = test::item_at(static_cast<ItemKind>(random() % 5), times.at(random() % 6), times.at(random() % 6),
                              items.items.size());
    item.source = static_cast<std::uint8_t>(random());
    item.channel = static_cast<std::uint8_t>(random());
    item.code = static_cast<std::uint8_t>(random());
    if (random() % 3 == 0) {
      item.source_ns = static_cast<std::int64_t>(random());
      item.host_ns = static_cast<std::int64_t>(random());
    }
    if (random() % 4 == 0) {
      const std::vector<std::byte> bytes(random() % 100 == 0 ? payload_max : random() % 70, std::byte{0x5A});
      items.add_with_payload(item, bytes);
    } else {
      items.items.push_back(item);
    }
  }
  const ScratchFolder folder;
  write_capture(folder.path(), items);
  const ReadBack read = read_capture(folder.path());
  EXPECT_TRUE(test::same_items(read.items.batch(), items.batch()));
  EXPECT_TRUE(read.report.whole());
}

TEST(Capture, rolls_to_further_segments_and_reads_them_in_order) {
  const ScratchFolder folder;
  const ItemBuffer items = test::wheel_items(600);
  write_capture(folder.path(), items, 0, 1500);
  EXPECT_TRUE(std::filesystem::exists(folder / "000003.cwr"));
  const ReadBack read = read_capture(folder.path());
  EXPECT_TRUE(test::same_items(read.items.batch(), items.batch()));
  EXPECT_TRUE(read.report.whole());
}

TEST(Capture, cut_at_every_byte_gives_all_whole_blocks_before_the_cut) {
  const ItemBuffer items = test::wheel_items(6);
  const ScratchFolder whole_folder;
  write_capture(whole_folder.path(), items, 40);
  const std::string bytes = test::file_text(whole_folder / "000001.cwr");
  const ReadBack whole = read_capture(whole_folder.path());
  ASSERT_TRUE(whole.report.whole());
  // Where each block ends, from the sizes in its header.
  std::vector<std::size_t> ends;
  for (std::size_t at = file_header_size; at < bytes.size();) {
    const auto header = parse_block_header(std::as_bytes(std::span(bytes)).subspan(at));
    ASSERT_TRUE(header);
    at += block_header_size + header->stored_size;
    ends.push_back(at);
  }
  ASSERT_EQ(ends.size(), whole.block_first.size());
  for (std::size_t cut = 0; cut < bytes.size(); ++cut) {
    const ScratchFolder folder(test::memory_place());
    test::write_text(folder / "000001.cwr", bytes.substr(0, cut));
    const ReadBack read = read_capture(folder.path());
    ASSERT_EQ(read.error, "");
    const auto whole_blocks =
        static_cast<std::size_t>(std::count_if(ends.begin(), ends.end(), [&](auto end) { return end <= cut; }));
    ASSERT_EQ(read.report.blocks, whole_blocks) << "cut at " << cut;
    expect_nothing_invented(read, items);
    const std::size_t last_end =
        whole_blocks == 0 ? (cut < file_header_size ? 0 : file_header_size) : ends[whole_blocks - 1];
    ASSERT_EQ(read.report.bytes_dropped, cut - last_end) << "cut at " << cut;
  }
}

// CW_BIT_FLIPS=N: so many instead of 1000.
TEST(Capture, a_flipped_bit_costs_one_block_and_is_reported) {
  const ItemBuffer items = test::wheel_items(60);
  const ScratchFolder whole_folder;
  write_capture(whole_folder.path(), items, 100);
  const std::string bytes = test::file_text(whole_folder / "000001.cwr");
  const ReadBack whole = read_capture(whole_folder.path());
  std::mt19937_64 random(20260301);
  const ScratchFolder folder(test::memory_place());
  const std::uint64_t flips = test::count_from("CW_BIT_FLIPS", 1000);
  for (std::uint64_t i = 0; i < flips; ++i) {
    std::string damaged = bytes;
    const std::size_t at = random() % bytes.size();
    damaged[at] = static_cast<char>(damaged[at] ^ (1 << (random() % 8)));
    test::write_text(folder / "000001.cwr", damaged);
    const ReadBack read = read_capture(folder.path());
    expect_nothing_invented(read, items);
    if (at < file_header_size) {
      // The last word of the file header is not covered by its checksum, and the blocks do not need the header.
      ASSERT_TRUE(read.error.empty());
      ASSERT_EQ(read.report.blocks, whole.report.blocks) << "byte " << at;
      continue;
    }
    ASSERT_EQ(read.report.blocks, whole.report.blocks - 1) << "byte " << at;
    ASSERT_GT(read.report.bytes_dropped, block_header_size);
    ASSERT_EQ(read.report.damage_count, 1U);
  }
}

TEST(Capture, many_flipped_bits_never_crash_it_and_never_make_an_item) {
  const ItemBuffer items = test::wheel_items(60);
  const ScratchFolder whole_folder;
  write_capture(whole_folder.path(), items, 100);
  const std::string bytes = test::file_text(whole_folder / "000001.cwr");
  std::mt19937_64 random(11);
  const ScratchFolder folder;
  for (int i = 0; i < 300; ++i) {
    std::string damaged = bytes;
    for (std::uint64_t flips = random() % 40; flips > 0; --flips) {
      damaged[random() % damaged.size()] ^= static_cast<char>(1 << (random() % 8));
    }
    test::write_text(folder / "000001.cwr", damaged);
    const ReadBack read = read_capture(folder.path());
    expect_nothing_invented(read, items);
  }
}

// A body that lies about itself behind a checksum that fits: what a fuzzer or a bug would write.
TEST(Capture, a_body_that_contradicts_its_header_is_refused_without_a_crash) {
  const ItemBuffer items = test::wheel_items(3);
  BlockEncoder encoder(BlockCodec::stored);
  for (const Item& item : items.items) {
    encoder.add(item, items.payload);
  }
  const auto made = encoder.finish({trial_id, 1, file_header_size});
  const std::vector<std::byte> block(made.begin(), made.end());
  std::mt19937_64 random(3);
  BlockDecoder decoder;
  ItemBuffer out;
  std::vector<ChannelName> names;
  for (int i = 0; i < 20000; ++i) {
    std::vector<std::byte> damaged = block;
    for (std::uint64_t changes = 1 + random() % 4; changes > 0; --changes) {
      damaged[block_header_size + random() % (block.size() - block_header_size)] = static_cast<std::byte>(random());
    }
    const std::uint32_t checksum = test::crc_of_block(damaged);
    for (std::size_t byte = 0; byte < 4; ++byte) {
      damaged[4 + byte] = static_cast<std::byte>(checksum >> (8 * byte));
    }
    if (decoder.decode(damaged, out, names)) {
      EXPECT_TRUE(out.items.empty());
    } else {
      EXPECT_EQ(out.items.size(), items.items.size());
    }
  }
}

TEST(Capture, a_lost_first_block_is_a_hole_and_the_names_are_still_known) {
  const ItemBuffer items = test::wheel_items(20);
  const ScratchFolder folder;
  write_capture(folder.path(), items, 100);
  std::string bytes = test::file_text(folder / "000001.cwr");
  bytes[file_header_size + block_header_size + 3] ^= 1;
  test::write_text(folder / "000001.cwr", bytes);
  auto reader = CaptureReader::open(folder.path());
  CaptureBlock block;
  ASSERT_TRUE(std::get<CaptureReader>(reader).next(block));
  ASSERT_TRUE(block.hole_before);
  EXPECT_EQ(block.hole_before->first_sequence, 0U);
  EXPECT_EQ(block.hole_before->items, 100U);
  EXPECT_FALSE(block.hole_before->before_host_ns);
  ASSERT_FALSE(block.names.empty());
  EXPECT_EQ(block.names.front(), (ChannelName{0, 0, "crank"}));
}

TEST(Capture, tells_the_span_of_time_that_is_missing) {
  const ItemBuffer items = test::wheel_items(20);
  const ScratchFolder folder;
  write_capture(folder.path(), items, 100);
  std::string bytes = test::file_text(folder / "000001.cwr");
  const auto first = parse_block_header(std::as_bytes(std::span(bytes)).subspan(file_header_size));
  ASSERT_TRUE(first);
  bytes[file_header_size + block_header_size + first->stored_size + 70] ^= 1;  // in the second block
  test::write_text(folder / "000001.cwr", bytes);
  const ReadBack read = read_capture(folder.path());
  ASSERT_EQ(read.report.holes.size(), 1U);
  const CaptureHole& hole = read.report.holes.front();
  EXPECT_EQ(hole.first_sequence, 100U);
  EXPECT_EQ(hole.items, 100U);
  EXPECT_EQ(hole.before_host_ns, items.items[99].host_ns);
  EXPECT_EQ(hole.after_host_ns, items.items[200].host_ns);
  EXPECT_EQ(read.report.missing_items, 100U);
}

TEST(Capture, a_block_copied_to_another_place_is_not_taken) {
  const ItemBuffer items = test::wheel_items(10);
  const ScratchFolder folder;
  write_capture(folder.path(), items, 100);
  std::string bytes = test::file_text(folder / "000001.cwr");
  const ReadBack whole = read_capture(folder.path());
  bytes += bytes.substr(file_header_size);
  test::write_text(folder / "000001.cwr", bytes);
  const ReadBack read = read_capture(folder.path());
  EXPECT_TRUE(test::same_items(read.items.batch(), items.batch()));
  EXPECT_EQ(read.report.blocks, whole.report.blocks);
  EXPECT_GT(read.report.bytes_dropped, 0U);
}

TEST(Capture, a_block_of_another_session_is_not_taken) {
  const ItemBuffer items = test::wheel_items(10);
  const ScratchFolder folder;
  write_capture(folder.path(), items, 100);
  std::string bytes = test::file_text(folder / "000001.cwr");
  BlockEncoder stranger;
  Item item = test::item_at(ItemKind::edge, 5, 5, items.items.size());
  stranger.add(item, {});
  const auto block = stranger.finish({trial_id + 1, 1, static_cast<std::uint32_t>(bytes.size())});
  bytes.append(reinterpret_cast<const char*>(block.data()), block.size());
  test::write_text(folder / "000001.cwr", bytes);
  const ReadBack read = read_capture(folder.path());
  EXPECT_TRUE(test::same_items(read.items.batch(), items.batch()));
  ASSERT_EQ(read.report.damage.size(), 1U);
  EXPECT_EQ(read.report.damage.front().reason, "block of another session");
}

TEST(Capture, a_missing_segment_is_a_hole) {
  const ScratchFolder folder;
  const ItemBuffer items = test::wheel_items(600);
  write_capture(folder.path(), items, 0, 1500);
  std::filesystem::remove(folder / "000002.cwr");
  const ReadBack read = read_capture(folder.path());
  expect_nothing_invented(read, items);
  ASSERT_EQ(read.report.holes.size(), 1U);
  EXPECT_EQ(read.report.missing_items + read.items.items.size(), items.items.size());
}

TEST(Capture, a_segment_of_a_newer_version_is_refused) {
  const ScratchFolder folder;
  auto header = make_file_header(1);
  header[8] = std::byte{2};
  const std::uint32_t checksum = test::crc_of(std::span(header).first(16));
  for (std::size_t byte = 0; byte < 4; ++byte) {
    header[16 + byte] = static_cast<std::byte>(checksum >> (8 * byte));
  }
  test::write_text(folder / "000001.cwr", std::string(reinterpret_cast<const char*>(header.data()), header.size()));
  EXPECT_EQ(read_capture(folder.path()).error, folder / "000001.cwr" + ": expected capture version 1, found 2");
}

TEST(Capture, a_folder_without_segments_is_an_error) {
  const ScratchFolder folder;
  EXPECT_EQ(read_capture(folder.path()).error,
            folder.path() + ": expected capture segments (000001.cwr ...), found none");
}

TEST(Capture, a_file_of_noise_gives_nothing_and_says_so) {
  const ScratchFolder folder;
  std::mt19937_64 random(5);
  std::string noise;
  for (int i = 0; i < 300000; ++i) {
    noise += static_cast<char>(random());
  }
  noise.replace(1000, 4, "KBWC");
  noise.replace(65536 - 2, 4, "KBWC");  // across the reader's step
  test::write_text(folder / "000001.cwr", noise);
  const ReadBack read = read_capture(folder.path());
  EXPECT_TRUE(read.items.items.empty());
  EXPECT_EQ(read.report.bytes_dropped, noise.size());
}

}  // namespace
}  // namespace cw
