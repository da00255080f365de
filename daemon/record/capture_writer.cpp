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
  DiskFile next(settings_.layer);
  if (Problem problem = next.create(settings_.folder + "/" + segment_name(segment_ + 1))) {
    return problem;
  }
  ++segment_;
  file_ = std::move(next);
  if (Problem problem = file_.append(make_file_header(segment_))) {
    return problem;
  }
  bytes_written_ += file_header_size;
  if (settings_.sync_blocks) {
    if (Problem problem = file_.sync()) {
      return problem;
    }
    return sync_folder(settings_.layer, settings_.folder);
  }
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

Problem CaptureWriter::close_block() {
  if (encoder_.empty()) {
    return std::nullopt;
  }
  const std::uint32_t items = encoder_.item_count();
  if (file_.size() >= settings_.segment_bytes) {
    if (Problem problem = begin_segment()) {
      encoder_.finish({});
      lost_items_ += items;
      return problem;
    }
  }
  const auto position = static_cast<std::uint32_t>(file_.size());
  const auto block = encoder_.finish({settings_.session_id, segment_, position});
  Problem problem = file_.append(block);
  if (problem) {
    lost_items_ += items;
    return problem;
  }
  bytes_written_ += block.size();
  return settings_.sync_blocks ? file_.sync() : Problem();
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
