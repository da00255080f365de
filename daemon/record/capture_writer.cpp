#include "record/capture_writer.hpp"

#include <utility>

namespace cw {

std::string segment_name(std::uint32_t segment) {
  constexpr std::size_t digits = 6;
  std::string number = std::to_string(segment);
  number.insert(0, number.size() < digits ? digits - number.size() : 0, '0');
  return number + ".cwr";
}

CaptureWriter::CaptureWriter(CaptureSettings settings) : settings_(std::move(settings)), encoder_(settings_.codec) {}

Problem CaptureWriter::begin_segment() {
  if (file_.is_open()) {
    if (Problem problem = close()) {
      return problem;
    }
  }
  const std::uint32_t number = segment_.number + 1;
  const std::string path = settings_.folder + "/" + segment_name(number);
  DiskFile next(settings_.layer);
  if (Problem problem = next.create(path)) {
    return problem;
  }
  Problem problem = next.append(make_file_header(number));
  if (settings_.sync_blocks) {
    problem = problem ? problem : next.sync();
    problem = problem ? problem : sync_folder(settings_.layer, settings_.folder);
  }
  if (problem) {
    next.close();
    settings_.layer.remove(path);  // or a disk that stays full would be filled with empty files
    return problem;
  }
  if (segment_.number > 0) {
    finished_.push_back(segment_);
  }
  segment_ = SegmentSpan{.number = number};
  file_ = std::move(next);
  bytes_written_ += file_header_size;
  return std::nullopt;
}

Problem CaptureWriter::append(const ItemBatch& batch) {
  std::size_t added = 0;
  for (const Item& item : batch.items) {
    if (!encoder_.takes(item)) {
      if (Problem problem = close_block()) {
        lost_items_ += batch.items.size() - added;
        return problem;
      }
    }
    encoder_.add(item, batch.payload);
    ++added;
  }
  return std::nullopt;
}

bool CaptureWriter::segment_is_full() const {
  if (segment_.empty()) {
    return false;
  }
  const bool long_enough =
      settings_.segment_ns > 0 && encoder_.last_host_ns() - segment_.first_host_ns >= settings_.segment_ns;
  return long_enough || file_.size() >= settings_.segment_bytes;
}

Problem CaptureWriter::close_block() {
  if (encoder_.empty()) {
    return std::nullopt;
  }
  const std::uint32_t items = encoder_.item_count();
  if (segment_is_full()) {
    if (Problem problem = begin_segment()) {
      encoder_.finish({});
      lost_items_ += items;
      return problem;
    }
  }
  const auto position = static_cast<std::uint32_t>(file_.size());
  SegmentSpan span = segment_;
  if (span.empty()) {
    span.first_sequence = encoder_.first_sequence();
    span.first_host_ns = encoder_.first_host_ns();
  }
  span.next_sequence = encoder_.next_sequence();
  span.last_host_ns = encoder_.last_host_ns();
  const auto block = encoder_.finish({settings_.session_id, segment_.number, position});
  if (Problem problem = file_.append(block)) {
    lost_items_ += items;
    return problem;
  }
  segment_ = span;
  bytes_written_ += block.size();
  return settings_.sync_blocks ? file_.sync() : Problem();
}

void CaptureWriter::know_names(const std::vector<ChannelName>& names) {
  for (const ChannelName& name : names) {
    encoder_.know_name(name);
  }
}

Problem CaptureWriter::sync() {
  if (Problem problem = file_.sync()) {
    return problem;
  }
  return sync_folder(settings_.layer, settings_.folder);
}

Problem CaptureWriter::close() {
  Problem problem = file_.sync();
  Problem closing = file_.close();
  return problem ? problem : closing;
}

}  // namespace cw
