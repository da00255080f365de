// Reads the segment files of a capture, skips what is damaged and says exactly what is missing (CAPTURE_FORMAT.md).
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "record/capture_block.hpp"

namespace cw {

// Bytes of a segment that are in no block that could be used.
struct CaptureDamage {
  std::string file;
  std::uint64_t offset = 0;
  std::uint64_t bytes = 0;
  std::string reason;
};

// Items that are missing between two blocks, before the first or after the last. The span of time that is missing is
// exactly that between the two times, both excluded.
struct CaptureHole {
  std::uint64_t first_sequence = 0;
  std::uint64_t items = 0;
  std::optional<std::int64_t> before_host_ns;  // time of the last item before the hole; nothing: it is at the start
  std::optional<std::int64_t> after_host_ns;   // time of the first item after it; nothing: it is at the end
  bool marked = false;                         // the recorder itself put a recorder_behind item after it
  bool not_kept = false;                       // all of it was removed on purpose (removed_ranges.hpp)
};

struct CaptureReport {
  static constexpr std::size_t listed_max = 100;
  std::uint64_t blocks = 0;
  std::uint64_t items = 0;
  std::uint64_t bytes_dropped = 0;
  std::uint64_t missing_items = 0;
  std::uint64_t not_kept_items = 0;  // of these, removed on purpose
  std::uint64_t damage_count = 0;    // all of them; the lists hold the first listed_max
  std::uint64_t hole_count = 0;
  std::vector<CaptureDamage> damage;
  std::vector<CaptureHole> holes;
  std::optional<std::int64_t> first_host_ns;  // of the items given out
  std::optional<std::int64_t> last_host_ns;
  std::uint64_t next_sequence = 0;  // after the last item given out

  bool whole() const { return bytes_dropped == 0 && missing_items == 0; }
};

struct CaptureBlock {
  ItemBuffer items;
  std::vector<ChannelName> names;
  std::optional<CaptureHole> hole_before;
};

class CaptureReader {
 public:
  // `path`: the folder with the segment files, or one segment file. An error line when it can't be read, holds none, or
  // a segment has a version that this program does not know. Segments are known by the number in their file header, by
  // their name only where that is damaged.
  // Blocks of `session_id` are given out. Without it, or when there is none of it, those of the session with the most
  // items: a stale block in front must not pass for the session. That takes one more reading of the whole capture.
  static std::variant<CaptureReader, std::string> open(const std::string& path,
                                                       std::optional<std::uint64_t> session_id = std::nullopt);
  CaptureReader(CaptureReader&& other) noexcept;
  CaptureReader& operator=(CaptureReader&& other) noexcept;
  CaptureReader(const CaptureReader&) = delete;
  CaptureReader& operator=(const CaptureReader&) = delete;
  ~CaptureReader();

  // How many items there should be (the sequence number after the last), from elsewhere: fewer are reported as a hole
  // at the end. Before the last next().
  void expect_end(std::uint64_t next_sequence);

  // The next whole block into `block` (replaced). False at the end.
  bool next(CaptureBlock& block);
  // What has been read and dropped so far; final after next() has returned false.
  const CaptureReport& report() const;

  std::uint64_t bytes_done() const;
  std::uint64_t bytes_total() const;
  // Paths of the segments, in order.
  std::vector<std::string> files() const;

 private:
  class Scan;
  explicit CaptureReader(std::unique_ptr<Scan> scan);
  std::unique_ptr<Scan> scan_;
};

}  // namespace cw
