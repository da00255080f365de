// Where in a capture an item is, from the block headers alone: which segments hold the window around a finding.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "record/removed_ranges.hpp"

namespace cw {

struct IndexedSegment {
  std::string path;
  std::uint64_t bytes = 0;
  bool sound = false;                // every block header from the first to the end of the file stands where it should
  std::uint64_t first_sequence = 0;  // what follows is known for a sound segment with blocks only
  std::uint64_t next_sequence = 0;
  std::int64_t first_host_ns = 0;
  std::int64_t last_host_ns = 0;
  // Of each block, ascending.
  struct Block {
    std::uint64_t first_sequence = 0;
    std::int64_t first_host_ns = 0;
  };
  std::vector<Block> blocks;
};

// The segments of a capture folder by name. Empty when the folder can't be read. Checksums are not looked at.
std::vector<IndexedSegment> index_capture(const std::string& capture_folder);

// The segments that no window reaches: from lead_in_ns before the first item of an evidence range to after_ns after its
// last one. A segment that is not sound may hold anything and is never among them.
std::vector<IndexedSegment> idle_segments(const std::vector<IndexedSegment>& segments,
                                          const std::vector<SequenceRange>& evidence, std::int64_t lead_in_ns,
                                          std::int64_t after_ns);

}  // namespace cw
