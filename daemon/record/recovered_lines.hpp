// Which lines of a session's text files can be kept: whole, of this session, and with their evidence in the capture.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>
#include <vector>

#include "record/capture_reader.hpp"
#include "record/wall_time.hpp"

namespace cw {

// What of a capture could be read, in the order of its items.
class KeptItems {
 public:
  void add(const CaptureBlock& block);

  // Whether all items from `first` to `last`, both included, are there.
  bool holds(std::uint64_t first, std::uint64_t last) const;
  // Whether no item between the two host times is missing, as far as sequence numbers tell.
  bool spans(std::int64_t from_host_ns, std::int64_t to_host_ns) const;
  // Host time of the first item of the session; nothing when it is lost.
  std::optional<std::int64_t> session_start_ns() const;

 private:
  struct Run {
    std::uint64_t first = 0;
    std::uint64_t last = 0;
    std::int64_t first_host_ns = 0;
    std::int64_t last_host_ns = 0;
  };
  std::vector<Run> runs_;
};

enum class LineFate : std::uint8_t { kept, without_evidence, unreadable };

// Judges the lines of events.jsonl, in order.
class EventLines {
 public:
  EventLines(const KeptItems& items, std::optional<WallAnchor> anchor) : items_(items), anchor_(anchor) {}
  LineFate judge(std::string_view line);

 private:
  const KeptItems& items_;
  std::optional<WallAnchor> anchor_;
};

// Judges the lines of trend.csv, in order; the first is the header.
class TrendLines {
 public:
  explicit TrendLines(const KeptItems& items) : items_(items) {}
  LineFate judge(std::string_view line);

 private:
  const KeptItems& items_;
  std::optional<std::ptrdiff_t> commas_;  // of the header
  std::int64_t last_end_ns_ = 0;
};

// Whether a line is one whole JSON object.
bool is_json_object(std::string_view line);

}  // namespace cw
