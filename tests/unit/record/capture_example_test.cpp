// The worked example of CAPTURE_FORMAT.md is read from that page and decoded.
#include <gtest/gtest.h>

#include <sstream>

#include "items/can_frame.hpp"
#include "record/capture_reader.hpp"
#include "tests/unit/record/edge_maker.hpp"
#include "tests/unit/record/scratch_folder.hpp"

namespace cw {
namespace {

bool is_hex_pair(const std::string& word) {
  return word.size() == 2 && word.find_first_not_of("0123456789ABCDEF") == std::string::npos;
}

// The bytes in the indented lines of a section of the page.
std::string example_bytes(const std::string& section = "## Worked example") {
  const std::string page = test::file_text(CRANKWITNESS_SOURCE_DIR "/daemon/record/CAPTURE_FORMAT.md");
  const std::size_t begin = page.find(section);
  std::istringstream lines(page.substr(begin, page.find("\n## ", begin) - begin));
  std::string bytes;
  for (std::string line; std::getline(lines, line);) {
    if (line.rfind("    ", 0) != 0) {
      continue;
    }
    std::istringstream words(line);
    for (std::string word; words >> word && is_hex_pair(word);) {
      bytes += static_cast<char>(std::stoi(word, nullptr, 16));
    }
  }
  return bytes;
}

TEST(CaptureFormat, worked_example_decodes_to_what_the_page_says) {
  const test::ScratchFolder folder;
  const std::string bytes = example_bytes();
  ASSERT_EQ(bytes.size(), 24U + 64U + 52U);
  test::write_text(folder / "000001.cwr", bytes);
  auto reader = CaptureReader::open(folder.path());
  ASSERT_TRUE(std::holds_alternative<CaptureReader>(reader));
  CaptureBlock block;
  ASSERT_TRUE(std::get<CaptureReader>(reader).next(block));
  EXPECT_EQ(block.names, (std::vector<ChannelName>{{0, 0, "crank"}}));

  ItemBuffer expected;
  test::add_name(expected, 0, "crank", 1000);
  expected.items[0].host_ns = 5000;
  for (int i = 1; i <= 3; ++i) {
    expected.items.push_back(test::item_at(ItemKind::edge, 1000 * i, 5000, static_cast<std::uint64_t>(i)));
  }
  EXPECT_TRUE(test::same_items(block.items.batch(), expected.batch()));
  EXPECT_FALSE(std::get<CaptureReader>(reader).next(block));
  EXPECT_TRUE(std::get<CaptureReader>(reader).report().whole());
}

TEST(CaptureFormat, the_example_of_a_can_frame_decodes_to_what_the_page_says) {
  const std::string bytes = example_bytes("## CAN frames");
  ASSERT_EQ(bytes.size(), 19U);
  CanFrame expected;
  expected.id = 0x18FEF100;
  expected.extended = true;
  expected.length = 4;
  expected.data = {std::byte{0xDE}, std::byte{0xAD}, std::byte{0xBE}, std::byte{0xEF}};
  expected.kernel_ns = 77;
  expected.hardware_ns = 1000;
  ItemBuffer made;
  ASSERT_TRUE(add_can_frame(made, 0, 77, expected));
  const auto payload = payload_of(made.items[0], made.payload);
  EXPECT_EQ(std::string(reinterpret_cast<const char*>(payload.data()), payload.size()), bytes);
  EXPECT_EQ(can_frame_of(made.items[0], made.payload), expected);
}

TEST(CaptureFormat, a_block_names_the_interfaces_of_its_can_frames) {
  const test::ScratchFolder folder;
  BlockEncoder encoder;
  encoder.know_name({0, 2, "can1"});
  ItemBuffer items;
  CanFrame frame;
  frame.id = 1;
  ASSERT_TRUE(add_can_frame(items, 2, 1000, frame));
  encoder.add(items.items[0], items.payload);
  ItemBuffer read;
  std::vector<ChannelName> names;
  EXPECT_EQ(BlockDecoder().decode(encoder.finish({}), read, names), std::nullopt);
  EXPECT_EQ(names, (std::vector<ChannelName>{{0, 2, "can1"}}));
  EXPECT_EQ(can_frame_of(read.items[0], read.payload), frame);
}

TEST(CaptureFormat, writer_gives_the_bytes_of_the_worked_example) {
  BlockEncoder encoder(BlockCodec::stored);
  ItemBuffer items;
  test::add_name(items, 0, "crank", 1000);
  items.items[0].host_ns = 5000;
  for (int i = 1; i <= 3; ++i) {
    items.items.push_back(test::item_at(ItemKind::edge, 1000 * i, 5000, static_cast<std::uint64_t>(i)));
  }
  for (const Item& item : items.items) {
    encoder.add(item, items.payload);
  }
  const auto header = make_file_header(1);
  const auto block = encoder.finish({0x0123456789ABCDEFULL, 1, file_header_size});
  std::string bytes(reinterpret_cast<const char*>(header.data()), header.size());
  bytes.append(reinterpret_cast<const char*>(block.data()), block.size());
  EXPECT_EQ(bytes, example_bytes());
}

}  // namespace
}  // namespace cw
