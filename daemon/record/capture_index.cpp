#include "record/capture_index.hpp"

#include <algorithm>
#include <array>
#include <filesystem>
#include <fstream>
#include <optional>

#include "record/capture_block.hpp"

namespace cw {

namespace {

std::optional<BlockHeader> header_at(std::ifstream& file, std::uint64_t position) {
  std::array<std::byte, block_header_size> bytes{};
  file.seekg(static_cast<std::streamoff>(position));
  file.read(reinterpret_cast<char*>(bytes.data()), static_cast<std::streamsize>(bytes.size()));
  return file ? parse_block_header(bytes) : std::nullopt;
}

void index_segment(IndexedSegment& segment) {
  std::ifstream file(segment.path, std::ios::binary);
  std::uint64_t position = file_header_size;
  while (position < segment.bytes) {
    const auto header = header_at(file, position);
    if (!header || header->position != position || position + block_header_size + header->stored_size > segment.bytes ||
        header->first_sequence < segment.next_sequence) {
      return;
    }
    if (segment.blocks.empty()) {
      segment.first_sequence = header->first_sequence;
      segment.first_host_ns = header->first_host_ns;
    }
    segment.blocks.push_back({header->first_sequence, header->first_host_ns});
    segment.next_sequence = header->first_sequence + header->item_count;
    segment.last_host_ns = header->last_host_ns;
    position += block_header_size + header->stored_size;
  }
  segment.sound = !segment.blocks.empty();
}

// Host time of the block that holds an item, or of the next one; that of the last item when there is none.
std::int64_t host_ns_of(const std::vector<IndexedSegment>& segments, std::uint64_t sequence, bool end_of_block) {
  std::int64_t latest_ns = 0;
  for (const IndexedSegment& segment : segments) {
    if (!segment.sound) {
      continue;
    }
    latest_ns = segment.last_host_ns;
    if (sequence >= segment.next_sequence) {
      continue;
    }
    const auto after = std::find_if(segment.blocks.begin(), segment.blocks.end(),
                                    [&](const auto& block) { return block.first_sequence > sequence; });
    if (end_of_block) {
      return after == segment.blocks.end() ? segment.last_host_ns : after->first_host_ns;
    }
    return after == segment.blocks.begin() ? after->first_host_ns : (after - 1)->first_host_ns;
  }
  return latest_ns;
}

}  // namespace

std::vector<IndexedSegment> index_capture(const std::string& capture_folder) {
  std::vector<IndexedSegment> segments;
  std::error_code error;
  for (auto entry = std::filesystem::directory_iterator(capture_folder, error);
       !error && entry != std::filesystem::directory_iterator(); entry.increment(error)) {
    std::error_code size_error;
    if (entry->path().extension() == ".cwr" && entry->is_regular_file(size_error)) {
      IndexedSegment segment;
      segment.path = entry->path().string();
      segment.bytes = entry->file_size(size_error);
      segments.push_back(std::move(segment));
    }
  }
  std::sort(segments.begin(), segments.end(), [](const auto& a, const auto& b) { return a.path < b.path; });
  for (IndexedSegment& segment : segments) {
    index_segment(segment);
  }
  return segments;
}

std::vector<IndexedSegment> idle_segments(const std::vector<IndexedSegment>& segments,
                                          const std::vector<SequenceRange>& evidence, std::int64_t lead_in_ns,
                                          std::int64_t after_ns) {
  std::vector<IndexedSegment> idle;
  for (const IndexedSegment& segment : segments) {
    const bool reached = std::any_of(evidence.begin(), evidence.end(), [&](const SequenceRange& range) {
      return host_ns_of(segments, range.first, false) - lead_in_ns <= segment.last_host_ns &&
             segment.first_host_ns <= host_ns_of(segments, range.last, true) + after_ns;
    });
    if (segment.sound && !reached) {
      idle.push_back(segment);
    }
  }
  return idle;
}

}  // namespace cw
