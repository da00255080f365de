// Captures to write, to damage and to read back.
#pragma once

#include <gtest/gtest.h>

#include <cstdlib>
#include <string>
#include <vector>

#include "record/capture_reader.hpp"
#include "record/capture_writer.hpp"
#include "tests/unit/record/edge_maker.hpp"

namespace cw::test {

// How often a test does its thing: as the environment says, else `usual`.
inline std::uint64_t count_from(const char* name, std::uint64_t usual) {
  const char* text = std::getenv(name);  // NOLINT(concurrency-mt-unsafe): nothing sets it
  return text == nullptr ? usual : std::strtoull(text, nullptr, 10);
}

inline constexpr std::uint64_t trial_id = 0x1122334455667788ULL;

// Writes `items` as a capture; each part of `cuts` items is closed as a block of its own (0: left to the writer).
inline void write_capture(const std::string& folder, const ItemBuffer& items, std::size_t block_items = 0,
                          std::uint64_t segment_bytes = 64ULL * 1024 * 1024) {
  CaptureWriter writer({folder, trial_id, false, segment_bytes, BlockCodec::zstd});
  ASSERT_FALSE(writer.begin_segment());
  const std::size_t step = block_items == 0 ? items.items.size() : block_items;
  for (std::size_t at = 0; at < items.items.size(); at += step) {
    const auto part = std::span(items.items).subspan(at, std::min(step, items.items.size() - at));
    ASSERT_FALSE(writer.append({part, items.payload}));
    if (block_items > 0) {
      ASSERT_FALSE(writer.close_block());
    }
  }
  ASSERT_FALSE(writer.close_block());
  ASSERT_FALSE(writer.close());
}

struct ReadBack {
  ItemBuffer items;
  std::vector<std::uint64_t> block_first;  // first sequence number of each block
  CaptureReport report;
  std::string error;
};

inline ReadBack read_capture(const std::string& folder) {
  ReadBack result;
  auto reader = CaptureReader::open(folder);
  if (const auto* error = std::get_if<std::string>(&reader)) {
    result.error = *error;
    return result;
  }
  CaptureBlock block;
  while (std::get<CaptureReader>(reader).next(block)) {
    result.block_first.push_back(block.items.items.front().sequence);
    for (const Item& item : block.items.items) {
      result.items.add_copy(item, block.items.payload);
    }
  }
  result.report = std::get<CaptureReader>(reader).report();
  return result;
}

// Every item read must be one that was written, byte for byte.
inline void expect_nothing_invented(const ReadBack& read, const ItemBuffer& written) {
  for (const Item& item : read.items.items) {
    ASSERT_LT(item.sequence, written.items.size());
    const Item& original = written.items[item.sequence];
    const ItemBatch one{std::span(&item, 1), read.items.payload};
    const ItemBatch other{std::span(&original, 1), written.payload};
    ASSERT_TRUE(same_items(one, other)) << "item " << item.sequence;
  }
}

}  // namespace cw::test
