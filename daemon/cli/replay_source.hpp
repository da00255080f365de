// What a replay reads: a session folder, or raw files, as sequenced items.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "cli/raw_file.hpp"
#include "cli/sequencer.hpp"
#include "record/session_reader.hpp"

namespace cw {

class ReplaySource {
 public:
  // One session folder, or at most 255 files. An error line when it is neither.
  static std::variant<ReplaySource, std::string> open(const std::vector<std::string>& paths);

  // Of raw files, before the first next(): the channel names (name in the engine file, the files' own), and what is
  // added to the times of each. A session's channels have their names already.
  void begin_files(const ChannelNames& channels, const std::vector<std::int64_t>& shifts_ns);

  // Hands the next items to `sink`, in one or several batches. False at the end, or when the input is wrong.
  bool next(const FileSequencer::Sink& sink);
  const std::string& error() const { return error_; }  // empty: read to its end

  // The session that is read, or nullptr for raw files.
  const SessionReader* session() const { return session_ ? &*session_ : nullptr; }
  std::vector<SourceInfo> source_infos() const;  // of raw files
  std::vector<std::string> files() const;        // what is read
  std::uint64_t bytes_total() const;
  std::uint64_t bytes_done() const;

 private:
  ReplaySource() = default;
  bool next_of_session(const FileSequencer::Sink& sink);
  bool next_of_files(const FileSequencer::Sink& sink);
  bool fill_files();
  void check_first_times();
  RawFile* earliest();

  std::optional<SessionReader> session_;
  std::vector<RawFile> files_;
  bool begun_ = false;
  FileSequencer sequencer_;
  bool ended_ = false;
  std::string error_;
};

}  // namespace cw
