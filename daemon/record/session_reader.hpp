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

// Whether `path` looks like a session or the capture of one: a folder that holds session.toml, a capture folder or
// segment files (*.cwr), or one segment file.
bool is_session(const std::string& path);

// The items that stand for a hole that the recorder did not mark itself, before the block that begins with `after`: a
// gap (recorder_behind, with the count, 0 where the items were removed on purpose: nothing was lost) and, where there is a number for it, a new_epoch note. They take the last
// numbers of the missing items. So does `crankwitness recover`; the replay of what it made is that of its source.
ItemBuffer hole_marker(const CaptureHole& hole, const Item& after);

// Where a session keeps its files, as far as there are any: `folder` is empty for a capture alone.
struct SessionPlaces {
  std::string folder;   // that holds session.toml, events.jsonl ...
  std::string capture;  // folder of the segments, or one segment
};
SessionPlaces session_places(const std::string& path);

class SessionReader {
 public:
  // `path` as for is_session(). An error line when there is no capture that can be read. A missing or damaged
  // session.toml is no error here: info() is empty then and info_problem() says why; the items can still be replayed
  // with another engine file.
  static std::variant<SessionReader, std::string> open(const std::string& path);

  const std::optional<SessionInfo>& info() const { return info_; }
  const std::string& info_problem() const { return info_problem_; }
  bool closed_in_good_order() const { return closed_; }  // summary.json is there

  // The next items into `out` (replaced). False at the end.
  // Where items are missing, stand-ins take the last numbers of the missing ones: the names of channels that were not
  // named before and, unless the recorder marked the hole itself, the items of hole_marker().
  bool next(ItemBuffer& out);
  // The same without stand-ins, block by block.
  bool next_block(CaptureBlock& block) { return capture_.next(block); }

  const CaptureReport& report() const { return capture_.report(); }
  const CaptureReader& capture() const { return capture_; }

 private:
  explicit SessionReader(CaptureReader capture) : capture_(std::move(capture)) {}
  void expect_end_of(const std::string& summary_path);
  void add_stand_ins(ItemBuffer& out) const;

  CaptureReader capture_;
  CaptureBlock block_;
  std::optional<SessionInfo> info_;
  std::string info_problem_;
  bool closed_ = false;
  std::map<std::pair<std::uint8_t, std::uint8_t>, std::string> named_;  // channels named so far, by (source, channel)
};

}  // namespace cw
