// Plots over something else than time.
#pragma once

#include <string>
#include <vector>

#include "compare/offset_fit.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "report/session_picture.hpp"

namespace cw {

// TDC deviation against speed: of the cycles of each 50 rpm the mean, and the span from least to greatest; holds of steady
// running, and the line through them with its interval, where the fit has one. Empty without readings.
std::string deviation_svg(const Engine& engine, const std::vector<SpeedBin>& by_speed, const std::vector<Hold>& holds,
                          const OffsetFit& fit);

// Half width (95 %) of the fitted line at `rpm`, from the intervals of angle and delay: at the holds' mean speed the two are
// independent, so the interval there follows from that of the angle, which is the line at 0 rpm. Requires both.
double line_half_width_deg(const OffsetFit& fit, double rpm);

// What the fit says, in sentences.
std::vector<std::string> offset_fit_words(const OffsetFit& fit);

// Pitch error of each tooth with its interval, and its scatter from turn to turn.
std::string wheel_svg(const WheelShape& shape);

}  // namespace cw
