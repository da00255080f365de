// A recorded session to its report: the recording is read once through the monitor, as a replay does, and once more for the
// raw edges around the findings that are drawn.
#pragma once

#include <cstddef>
#include <string>
#include <variant>
#include <vector>

#include "geometry/engine.hpp"
#include "record/session_reader.hpp"
#include "signals/bus_map.hpp"

namespace cw {

struct SessionReport {
  std::string html;
  std::string missing;  // what of the recording is missing, in words; empty: it is whole
  bool lossy = false;   // a part of the input or of the recording is missing
};

inline constexpr std::size_t drawn_findings_max = 8;

// `path` as `reader` was opened with; its info must be there. `made_with`: name and version of this program. `maps`: of the
// ECU's broadcast, as in the session. An error line when the recording can't be read a second time. Memory does not grow
// with the session.
std::variant<SessionReport, std::string> make_session_report(const std::string& path, SessionReader reader,
                                                             const Engine& engine, const std::string& made_with,
                                                             const std::vector<BusMap>& maps = {});

}  // namespace cw
