// Plots over something else than time.
#pragma once

#include <string>
#include <vector>

#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "report/session_picture.hpp"

namespace cw {

// TDC deviation against speed: of the cycles of each 50 rpm the mean, and the span from least to greatest. Empty without
// readings.
std::string deviation_svg(const Engine& engine, const std::vector<SpeedBin>& by_speed);

// Pitch error of each tooth with its interval, and its scatter from turn to turn.
std::string wheel_svg(const WheelShape& shape);

}  // namespace cw
