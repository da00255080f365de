#include "record/session_reader.hpp"

#include <algorithm>
#include <filesystem>

#include "record/disk_file.hpp"

namespace cw {

bool is_session(const std::string& path) {
  std::error_code error;
  return std::filesystem::is_directory(path, error) && (std::filesystem::exists(path + "/session.toml", error) ||
                                                        std::filesystem::is_directory(path + "/capture", error));
}

std::variant<SessionReader, std::string> SessionReader::open(const std::string& folder) {
  auto capture = CaptureReader::open(folder + "/capture");
  if (auto* error = std::get_if<std::string>(&capture)) {
    return std::move(*error);
  }
  SessionReader reader(std::move(std::get<CaptureReader>(capture)));
  std::string text;
  const std::string path = folder + "/session.toml";
  if (Problem problem = read_file(path, session_toml_bytes_max, text)) {
    reader.info_problem_ = *problem;
  } else {
    auto info = parse_session_toml(text, path);
    if (auto* error = std::get_if<std::string>(&info)) {
      reader.info_problem_ = std::move(*error);
    } else {
      reader.info_ = std::move(std::get<SessionInfo>(info));
    }
  }
  std::error_code error;
  reader.closed_ = std::filesystem::exists(folder + "/summary.json", error);
  return reader;
}

void SessionReader::add_stand_ins(const CaptureHole& hole, ItemBuffer& out) const {
  const Item& after = block_.items.items.front();
  std::uint64_t used = 0;
  const auto stand_in = [&](ItemKind kind, std::uint8_t code) {
    Item item;
    item.kind = kind;
    item.code = code;
    item.source = after.source;
    item.source_ns = after.source_ns;
    item.host_ns = after.host_ns;
    item.sequence = hole.first_sequence + std::min(used++, hole.items - 1);
    return item;
  };
  for (const ChannelName& name : block_.names) {
    const auto known = named_.find({name.source, name.channel});
    if (known == named_.end() || known->second != name.name) {
      Item item = stand_in(ItemKind::link_note, static_cast<std::uint8_t>(LinkNote::channel_named));
      item.source = name.source;
      item.channel = name.channel;
      out.add_with_payload(item, std::as_bytes(std::span(name.name)));
    }
  }
  if (hole.marked) {
    return;
  }
  out.add_with_payload(stand_in(ItemKind::gap, static_cast<std::uint8_t>(GapReason::recorder_behind)),
                       gap_count_bytes(hole.items));
  out.items.push_back(stand_in(ItemKind::link_note, static_cast<std::uint8_t>(LinkNote::new_epoch)));
}

bool SessionReader::next(ItemBuffer& out) {
  out.clear();
  if (!capture_.next(block_)) {
    return false;
  }
  if (block_.hole_before) {
    add_stand_ins(*block_.hole_before, out);
  }
  for (const ChannelName& name : block_.names) {
    named_[{name.source, name.channel}] = name.name;
  }
  if (out.items.empty()) {
    std::swap(out, block_.items);
    return true;
  }
  for (const Item& item : block_.items.items) {
    out.add_copy(item, block_.items.payload);
  }
  return true;
}

}  // namespace cw
