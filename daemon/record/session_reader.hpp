// A recorded session as a source of items.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "items/item_buffer.hpp"
#include "record/capture_reader.hpp"
#include "record/session_info.hpp"

namespace cw {

// Whether `path` is a folder that looks like a session: it holds session.toml or a capture folder.
bool is_session(const std::string& path);

class SessionReader {
 public:
  // An error line when there is no capture that can be read. A missing or damaged session.toml is no error here:
  // info() is empty then and info_problem() says why; the items can still be replayed with another engine file.
  static std::variant<SessionReader, std::string> open(const std::string& folder);

  const std::optional<SessionInfo>& info() const { return info_; }
  const std::string& info_problem() const { return info_problem_; }
  bool closed_in_good_order() const { return closed_; }  // summary.json is there

  // The next items into `out` (replaced). False at the end.
  // Where items are missing and the recorder did not say so itself, stand-ins take the first numbers of the missing
  // ones: the names of channels that were not named before, a gap item (recorder_behind, with the count) and a
  // new_epoch note.
  bool next(ItemBuffer& out);

  const CaptureReport& report() const { return capture_.report(); }
  const CaptureReader& capture() const { return capture_; }

 private:
  explicit SessionReader(CaptureReader capture) : capture_(std::move(capture)) {}
  void add_stand_ins(const CaptureHole& hole, ItemBuffer& out) const;

  CaptureReader capture_;
  CaptureBlock block_;
  std::optional<SessionInfo> info_;
  std::string info_problem_;
  bool closed_ = false;
  std::map<std::pair<std::uint8_t, std::uint8_t>, std::string> named_;  // channels named so far, by (source, channel)
};

}  // namespace cw
