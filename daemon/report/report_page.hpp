// The report as one HTML page that needs nothing else: no network, no script, no file beside it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "geometry/engine.hpp"
#include "record/capture_reader.hpp"
#include "record/session_info.hpp"
#include "record/session_totals.hpp"
#include "report/evidence.hpp"
#include "report/finding_list.hpp"
#include "report/session_picture.hpp"

namespace cw {

struct DrawnFinding {
  ListedFinding listed;
  EvidencePicture picture;
  bool has_edges = true;  // false: the recording no longer holds its evidence
};

struct ReportContent {
  const Engine& engine;
  const SessionInfo& info;
  const SessionTotals& totals;
  const SessionPicture& picture;
  const CaptureReport& capture;
  std::vector<DrawnFinding> drawn;
  std::string made_with;                    // name and version of this program
  std::string name;                         // of the session: its folder's, without the path
  bool closed = true;                       // false: it was still being written, or was not ended in good order
  std::optional<std::string> other_events;  // how events.jsonl differs from what was found now; nothing: it does not
};

// The same content gives the same bytes.
std::string report_page(const ReportContent& content);

// The page's style sheet: light, dark, print.
std::string_view page_style();

}  // namespace cw
