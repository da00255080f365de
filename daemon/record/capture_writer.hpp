// Writes the segment files of a capture (CAPTURE_FORMAT.md).
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "record/black_box.hpp"
#include "record/capture_block.hpp"
#include "record/disk_file.hpp"

namespace cw {

struct CaptureSettings {
  std::string folder;  // must exist
  std::uint64_t session_id = 0;
  bool sync_blocks = true;  // fdatasync each block as it is closed
  std::uint64_t segment_bytes = 64ULL * 1024 * 1024;
  BlockCodec codec = BlockCodec::zstd;
  FileLayer layer = {};
  std::int64_t segment_ns = 0;  // a segment is ended when it spans so much host time; 0: by its size only
};

class CaptureWriter {
 public:
  explicit CaptureWriter(CaptureSettings settings);

  // Begins the next segment. Call once before the first append, and again to go on after a failed one. On a problem no
  // file stays, and the number is used again.
  Problem begin_segment();
  // Adds items in sequence order; blocks that are full are written. After a problem nothing of the block that could not
  // be written stays in the file, its items are counted in lost_items(), and so are the items of the call not added.
  Problem append(const ItemBatch& batch);
  // Writes the open block, if it holds any items, however full it is. Problems as for append.
  Problem close_block();
  // Names of channels that no item of the stream tells, as in a block whose predecessors are lost.
  void know_names(const std::vector<ChannelName>& names);
  // Makes all that was written durable, whatever sync_blocks says.
  Problem sync();
  Problem close();

  // Segments finished since the last call, in order. To be called now and then.
  std::vector<SegmentSpan> take_finished() { return std::exchange(finished_, {}); }
  const std::string& path() const { return file_.path(); }  // of the segment that is written

  bool block_is_open() const { return !encoder_.empty(); }
  std::uint64_t lost_items() const { return lost_items_; }
  std::uint64_t bytes_written() const { return bytes_written_; }

 private:
  bool segment_is_full() const;

  CaptureSettings settings_;
  BlockEncoder encoder_;
  DiskFile file_;
  SegmentSpan segment_;  // the one that is written, or 0
  std::vector<SegmentSpan> finished_;
  std::uint64_t lost_items_ = 0;
  std::uint64_t bytes_written_ = 0;
};

// "NNNNNN.cwr"
std::string segment_name(std::uint32_t segment);

}  // namespace cw
