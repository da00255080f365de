// What can be read back of a damaged session, a capture folder or one segment, written as a new session.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "record/capture_reader.hpp"
#include "record/file_layer.hpp"
#include "record/session_info.hpp"

namespace cw {

enum class RecoveryAnswer : std::uint8_t {
  whole,    // nothing is known to be missing
  lossy,    // a part is missing, or the session was not closed in good order, so that its last second may be
  nothing,  // no block could be read; nothing was written
};
std::string_view to_string(RecoveryAnswer answer);

// What became of the lines of a text file.
struct LineCounts {
  std::uint64_t kept = 0;
  std::uint64_t without_evidence = 0;  // whole lines, put into a file of their own
  std::uint64_t unreadable = 0;        // torn, zeroed, of another session: left out
};

struct RecoveryReport {
  RecoveryAnswer answer = RecoveryAnswer::nothing;
  bool capture_alone = false;  // the source was no session folder
  bool closed = false;         // the session was closed in good order (summary.json is there and whole)
  std::string info_problem;    // why session.toml could not be used; empty: it could
  bool engine_known = false;   // the new session can be replayed without --engine
  std::optional<WallAnchor> anchor;
  CaptureReport capture;
  LineCounts events;
  LineCounts trend;
};

struct RecoverySettings {
  std::string source;   // as for is_session()
  std::string out;      // new folder, or empty; must not lie in the source
  std::string program;  // name and version
  FileLayer layer = {};
};

// Why there is no report, in one line.
struct RecoveryFailure {
  std::string why;
  bool in_output = false;  // what could not be written; else the source could not be opened
};

// Writes `out`: session.toml (made_by "recover"), the capture with a marker at each hole, the lines of events.jsonl and
// trend.csv whose evidence is kept (whole lines without it in events-without-evidence.jsonl and
// trend-without-evidence.csv), service.jsonl, summary.json where the source has a whole one, and recovery.json, last.
// Sequence numbers stay. The source is only read.
std::variant<RecoveryReport, RecoveryFailure> recover_session(const RecoverySettings& settings);

}  // namespace cw
