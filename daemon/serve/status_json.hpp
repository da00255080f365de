// The latest state as JSON: /status.json (status.schema.json says what each key means) and the live page's events.
#pragma once

#include <string>
#include <vector>

#include "serve/live_state.hpp"

namespace cw {

// All of it, on one line.
std::string status_json(const LiveStatus& status);
// The same without the findings: what changes several times a second.
std::string status_event_json(const LiveStatus& status);
// The findings alone, an array.
std::string findings_json(const LiveStatus& status);
// Rows of the plots: {"first":N,"cams":[...],"rows":[[wall_ms,state,rpm,deviation,uncertainty,margin,ecu_rpm,cam...]]};
// null = unknown; the state by its number in `states` of the schema.
std::string rows_json(const LiveStatus& status, const std::vector<PlotRow>& rows);

}  // namespace cw
