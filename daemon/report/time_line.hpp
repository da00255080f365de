// The time line of a session: findings, lock state, speed, TDC deviation, cam phases, margin, one below the other.
#pragma once

#include <string>

#include "geometry/engine.hpp"
#include "record/capture_reader.hpp"
#include "report/session_picture.hpp"

namespace cw {

// `capture` says what of the recording is missing; those stretches are shaded.
std::string time_line_svg(const Engine& engine, const SessionPicture& picture, const CaptureReport& capture);

// One value over the session's time alone; `unit` and `name` are words. Empty when nothing is known.
std::string series_svg(const std::string& id, const std::string& name, const std::string& unit,
                       const BinnedSeries& series, std::int64_t length_ns);

// A moment of the session as people say it: "12.340 s", "2 min 5.1 s", "3 h 12 min 4 s".
std::string moment_words(std::int64_t session_ns);

}  // namespace cw
