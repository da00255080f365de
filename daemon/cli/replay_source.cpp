#include "cli/replay_source.hpp"

#include <algorithm>
#include <utility>

#include "drivers/source_time.hpp"

namespace cw {

namespace {

constexpr std::size_t files_max = 255;
constexpr std::size_t merge_items_max = 32768;

std::string in_seconds(std::int64_t t_ns) {
  constexpr std::int64_t ns_per_s = 1'000'000'000;
  return std::to_string(t_ns / ns_per_s) + " s";
}

std::string among_others(const std::string& session) {
  return session + ": expected one session folder, or files only, found a session beside other inputs";
}

}  // namespace

std::variant<ReplaySource, std::string> ReplaySource::open(const std::vector<std::string>& paths) {
  if (paths.empty() || paths.size() > files_max) {
    return "replay: expected one session folder, or 1 to 255 files, found " + std::to_string(paths.size());
  }
  ReplaySource source;
  for (const std::string& path : paths) {
    if (is_session(path) && paths.size() > 1) {
      return among_others(path);
    }
    if (is_session(path)) {
      auto session = SessionReader::open(path);
      if (auto* error = std::get_if<std::string>(&session)) {
        return std::move(*error);
      }
      source.session_ = std::move(std::get<SessionReader>(session));
      return source;
    }
    auto file = RawFile::open(path);
    if (auto* error = std::get_if<std::string>(&file)) {
      return std::move(*error);
    }
    source.files_.push_back(std::move(std::get<RawFile>(file)));
  }
  return source;
}

void ReplaySource::begin_files(const ChannelNames& channels, const std::vector<std::int64_t>& shifts_ns) {
  for (std::size_t i = 0; i < files_.size(); ++i) {
    files_[i].begin(static_cast<std::uint8_t>(i), shifts_ns[i], channels);
  }
}

// Whether no file is wrong.
bool ReplaySource::fill_files() {
  for (RawFile& file : files_) {
    file.fill();
    if (error_.empty() && !file.has_next()) {
      error_ = file.error();
    }
  }
  if (error_.empty() && !std::exchange(begun_, true)) {
    check_first_times();
  }
  return error_.empty();
}

// Files that one clock did not stamp, though --same-clock or a shift says so, would be years apart.
void ReplaySource::check_first_times() {
  const auto by_time = [](const RawFile& a, const RawFile& b) { return a.next_ns() < b.next_ns(); };
  const bool all_begin = std::all_of(files_.begin(), files_.end(), [](const RawFile& file) { return file.has_next(); });
  if (files_.size() < 2 || !all_begin) {
    return;
  }
  const auto [first, last] = std::minmax_element(files_.begin(), files_.end(), by_time);
  if (distance_ns(first->next_ns(), last->next_ns()) > silence_max_ns) {
    error_ = last->path() + ": expected it to begin at most 24 h after " + first->path() + " (" +
             in_seconds(first->next_ns()) + "), found " + in_seconds(last->next_ns()) +
             "; --shift NAME=SECONDS adds to the times of a file";
  }
}

RawFile* ReplaySource::earliest() {
  RawFile* found = nullptr;
  for (RawFile& file : files_) {
    if (file.has_next() && (found == nullptr || file.next_ns() < found->next_ns())) {
      found = &file;
    }
  }
  return found;
}

bool ReplaySource::next_of_files(const FileSequencer::Sink& sink) {
  if (!fill_files()) {
    return false;
  }
  if (files_.size() == 1) {
    sequencer_.sequence(files_.front().take_all(), sink);
    return true;
  }
  ItemBuffer merged;
  while (RawFile* file = merged.items.size() < merge_items_max ? earliest() : nullptr) {
    file->take_next(merged);
    if (!file->has_next() && !file->at_end()) {
      break;  // what comes next of it may be the earliest
    }
  }
  sequencer_.sequence(merged, sink);
  return true;
}

bool ReplaySource::next_of_session(const FileSequencer::Sink& sink) {
  ItemBuffer items;
  if (!session_->next(items)) {
    return false;
  }
  sink(std::move(items));
  return true;
}

bool ReplaySource::next(const FileSequencer::Sink& sink) {
  const auto at_end = [](const RawFile& file) { return file.at_end() && file.error().empty(); };
  if (ended_ || (!session_ && std::all_of(files_.begin(), files_.end(), at_end))) {
    return false;
  }
  ended_ = session_ ? !next_of_session(sink) : !next_of_files(sink);
  return !ended_;
}

std::vector<SourceInfo> ReplaySource::source_infos() const {
  std::vector<SourceInfo> infos;
  infos.reserve(files_.size());
  for (const RawFile& file : files_) {
    infos.push_back(file.info());
  }
  return infos;
}

std::vector<std::string> ReplaySource::files() const {
  if (session_) {
    return session_->capture().files();
  }
  std::vector<std::string> paths;
  paths.reserve(files_.size());
  for (const RawFile& file : files_) {
    paths.push_back(file.path());
  }
  return paths;
}

std::uint64_t ReplaySource::bytes_total() const {
  std::uint64_t sum = session_ ? session_->capture().bytes_total() : 0;
  for (const RawFile& file : files_) {
    sum += file.bytes_total();
  }
  return sum;
}

std::uint64_t ReplaySource::bytes_done() const {
  std::uint64_t sum = session_ ? session_->capture().bytes_done() : 0;
  for (const RawFile& file : files_) {
    sum += file.bytes_done();
  }
  return sum;
}

}  // namespace cw
