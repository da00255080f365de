// What a replay reads: a session folder or a raw file, as sequenced items.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "cli/sequencer.hpp"
#include "drivers/driver.hpp"
#include "record/session_reader.hpp"

namespace cw {

class ReplaySource {
 public:
  // An error line when `path` is neither.
  static std::variant<ReplaySource, std::string> open(const std::string& path);
  ReplaySource(ReplaySource&&) = default;
  ReplaySource& operator=(ReplaySource&&) = delete;
  ~ReplaySource();

  // The channel names of a raw file: (name in the engine file, the file's own). Before the first next(); a session's
  // channels have their names already.
  void use_channels(ChannelNames channels);

  // Hands the next items to `sink`, in one or several batches. False at the end, or when the input is wrong.
  bool next(const FileSequencer::Sink& sink);
  const std::string& error() const { return error_; }  // empty: read to its end

  // The session that is read, or nullptr for a raw file.
  const SessionReader* session() const { return session_ ? &*session_ : nullptr; }
  SourceInfo source_info() const;          // of a raw file
  std::vector<std::string> files() const;  // what is read
  std::uint64_t bytes_total() const { return bytes_total_; }
  std::uint64_t bytes_done() const { return session_ ? session_->capture().bytes_done() : bytes_done_; }

 private:
  ReplaySource() = default;
  std::optional<std::string> open_file();
  bool next_of_file(const FileSequencer::Sink& sink);
  bool fail(const FileSequencer::Sink& sink, const std::string& why);

  std::string path_;
  std::optional<SessionReader> session_;
  std::unique_ptr<Driver> driver_;
  const DriverEntry* entry_ = nullptr;  // of a raw file
  ChannelNames channels_;
  std::unique_ptr<int, void (*)(int*)> file_{nullptr, nullptr};  // descriptor of a raw file
  std::vector<char> bytes_;
  ItemBuffer items_;
  FileSequencer sequencer_;
  std::uint64_t bytes_total_ = 0;
  std::uint64_t bytes_done_ = 0;
  bool ended_ = false;
  std::string error_;
};

}  // namespace cw
