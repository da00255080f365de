#include "record/removed_ranges.hpp"

#include <algorithm>
#include <charconv>
#include <sstream>

namespace cw {

namespace {

constexpr const char* header = "first_sequence,last_sequence\n";

bool parse_line(const std::string& line, SequenceRange& range) {
  const char* const end = line.data() + line.size();
  const auto first = std::from_chars(line.data(), end, range.first);
  if (first.ec != std::errc() || first.ptr == end || *first.ptr != ',') {
    return false;
  }
  const auto last = std::from_chars(first.ptr + 1, end, range.last);
  return last.ec == std::errc() && last.ptr == end && range.last >= range.first;
}

}  // namespace

void RemovedRanges::add(SequenceRange range) {
  const auto touches = [&](const SequenceRange& other) {
    return (other.last == UINT64_MAX || other.last + 1 >= range.first) &&
           (range.last == UINT64_MAX || range.last + 1 >= other.first);
  };
  for (const SequenceRange& other : ranges_) {
    if (touches(other)) {
      range = {std::min(range.first, other.first), std::max(range.last, other.last)};
    }
  }
  std::erase_if(ranges_, touches);
  const auto place = std::find_if(ranges_.begin(), ranges_.end(),
                                  [&](const SequenceRange& other) { return other.first > range.first; });
  ranges_.insert(place, range);
}

bool RemovedRanges::covers(SequenceRange range) const {
  return std::any_of(ranges_.begin(), ranges_.end(), [&](const SequenceRange& other) {
    return other.first <= range.first && range.last <= other.last;
  });
}

Problem write_removed_ranges(const FileLayer& layer, const std::string& capture_folder, const RemovedRanges& removed) {
  const std::string path = capture_folder + "/removed.csv";
  std::string text = header;
  for (const SequenceRange& range : removed.ranges()) {
    text += std::to_string(range.first) + "," + std::to_string(range.last) + "\n";
  }
  layer.remove(path + ".part");  // left over from a power cut, if it is there
  Problem problem = write_whole_file(layer, path, text);
  if (problem) {
    layer.remove(path + ".part");
  }
  return problem;
}

RemovedRanges read_removed_ranges(const std::string& capture_folder) {
  constexpr std::uint64_t size_max = 64ULL * 1024 * 1024;
  RemovedRanges removed;
  std::string text;
  if (read_file(capture_folder + "/removed.csv", size_max, text)) {
    return removed;
  }
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line) && !lines.eof();) {
    SequenceRange range;
    if (parse_line(line, range)) {
      removed.add(range);
    }
  }
  return removed;
}

}  // namespace cw
