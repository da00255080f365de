#include "record/session_reader.hpp"

#include <algorithm>
#include <filesystem>

#include "record/disk_file.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

constexpr std::uint64_t summary_max = 16ULL * 1024 * 1024;

}  // namespace

SessionPlaces session_places(const std::string& path) {
  std::error_code error;
  if (std::filesystem::is_directory(path + "/capture", error) ||
      std::filesystem::exists(path + "/session.toml", error)) {
    return {path, path + "/capture"};
  }
  return {"", path};
}

bool is_session(const std::string& path) {
  std::error_code error;
  if (!std::filesystem::is_directory(path, error)) {
    return std::filesystem::path(path).extension() == ".cwr" && std::filesystem::is_regular_file(path, error);
  }
  if (!session_places(path).folder.empty()) {
    return true;
  }
  const std::filesystem::directory_iterator entries(path, error);
  return !error && std::any_of(begin(entries), end(entries),
                               [](const auto& entry) { return entry.path().extension() == ".cwr"; });
}

ItemBuffer hole_marker(const CaptureHole& hole, const Item& after) {
  ItemBuffer out;
  Item item = after;
  item.channel = 0;
  item.payload_at = Item::no_payload;
  item.kind = ItemKind::gap;
  item.code = static_cast<std::uint8_t>(GapReason::recorder_behind);
  item.sequence = after.sequence - std::min<std::uint64_t>(hole.items, 2);
  out.add_with_payload(item, gap_count_bytes(hole.not_kept ? 0 : hole.items));
  if (hole.items > 1) {
    item.kind = ItemKind::link_note;
    item.code = static_cast<std::uint8_t>(LinkNote::new_epoch);
    ++item.sequence;
    out.items.push_back(item);
  }
  return out;
}

std::variant<SessionReader, std::string> SessionReader::open(const std::string& path) {
  const SessionPlaces places = session_places(path);
  std::optional<SessionInfo> info;
  std::string info_problem = path + ": expected a session folder, found a capture alone: its engine file is not known";
  if (!places.folder.empty()) {
    auto read = read_session_info(places.folder);
    if (auto* error = std::get_if<std::string>(&read)) {
      info_problem = std::move(*error);
    } else {
      info = std::move(std::get<SessionInfo>(read));
      info_problem.clear();
    }
  }
  auto capture = CaptureReader::open(places.capture, info ? std::optional(info->id) : std::nullopt);
  if (auto* error = std::get_if<std::string>(&capture)) {
    return std::move(*error);
  }
  SessionReader reader(std::move(std::get<CaptureReader>(capture)));
  reader.info_ = std::move(info);
  reader.info_problem_ = std::move(info_problem);
  if (!places.folder.empty()) {
    reader.expect_end_of(places.folder + "/summary.json");
  }
  return reader;
}

// summary.json, where it is whole, says how many items there are.
void SessionReader::expect_end_of(const std::string& summary_path) {
  std::string text;
  if (read_file(summary_path, summary_max, text)) {
    return;
  }
  const auto summary = parse_json(text);
  if (!summary.is_object()) {
    return;
  }
  closed_ = true;
  const auto recording = summary.find("recording");
  if (recording != summary.end() && recording->is_object()) {
    const auto end = recording->find("next_sequence");
    if (end != recording->end() && end->is_number_unsigned()) {
      capture_.expect_end(end->get<std::uint64_t>());
    }
  }
}

void SessionReader::add_stand_ins(ItemBuffer& out) const {
  const Item& after = block_.items.items.front();
  const std::uint64_t missing = block_.hole_before ? block_.hole_before->items : 0;
  ItemBuffer marker;
  if (block_.hole_before && !block_.hole_before->marked) {
    marker = hole_marker(*block_.hole_before, after);
  }
  for (const ChannelName& name : block_.names) {
    const auto known = named_.find({name.source, name.channel});
    if (known == named_.end() || known->second != name.name) {
      Item item = after;
      item.kind = ItemKind::link_note;
      item.code = static_cast<std::uint8_t>(LinkNote::channel_named);
      item.source = name.source;
      item.channel = name.channel;
      out.add_with_payload(item, std::as_bytes(std::span(name.name)));
    }
  }
  // The last numbers of those missing; where they do not suffice, the first of them several times.
  std::uint64_t before = out.items.size() + marker.items.size();
  for (Item& item : out.items) {
    item.sequence = after.sequence - std::min(before--, missing);
  }
  for (const Item& item : marker.items) {
    out.add_copy(item, marker.payload);
  }
}

bool SessionReader::next(ItemBuffer& out) {
  out.clear();
  if (!capture_.next(block_)) {
    return false;
  }
  // After a hole, names may have been lost; a marker alone says so where it took the place of all that was missing.
  if (block_.hole_before || is_marker(block_.items.items.front())) {
    add_stand_ins(out);
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
