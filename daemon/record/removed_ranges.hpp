// Which items were recorded and then removed on purpose (black-box mode, retention), as capture/removed.csv says it
// (SESSION_FORMAT.md). What is missing and not listed there was lost.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "record/disk_file.hpp"

namespace cw {

// Sequence numbers, both inclusive.
struct SequenceRange {
  std::uint64_t first = 0;
  std::uint64_t last = 0;
  friend bool operator==(const SequenceRange&, const SequenceRange&) = default;
};

class RemovedRanges {
 public:
  void add(SequenceRange range);  // in any order; what touches becomes one
  bool covers(SequenceRange range) const;
  const std::vector<SequenceRange>& ranges() const { return ranges_; }  // ascending, apart from each other

 private:
  std::vector<SequenceRange> ranges_;
};

// Replaces capture/removed.csv of a capture folder as a whole: after a power cut it is the old or the new one.
Problem write_removed_ranges(const FileLayer& layer, const std::string& capture_folder, const RemovedRanges& removed);

// What it says; nothing where there is no such file. A line that is not sound is passed over: what it may have listed
// counts as lost.
RemovedRanges read_removed_ranges(const std::string& capture_folder);

}  // namespace cw
