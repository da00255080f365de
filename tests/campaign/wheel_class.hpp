// Which of the common forms an engine's wheel is, by its description alone: the tables are kept by it.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string_view>

#include "geometry/engine.hpp"

namespace cw::campaign {

// An engine belongs to the first of these that fits, from the bottom up: a two-stroke of one gap counts as a two-stroke.
enum class WheelClass : std::uint8_t {
  one_gap,
  several_gaps,  // pitched, missing teeth in two places or more
  even,          // pitched, none missing
  angle_list,    // teeth off any even pitch
  odd_firing,    // whatever the wheel
  few_teeth,     // fewer than 12 a crank turn
  ring_gear,     // even teeth, and an index once a turn
  on_cam,        // the wheel turns at half speed
  two_stroke,
};
inline constexpr std::size_t wheel_classes = 9;
std::string_view to_string(WheelClass value);

bool fires_evenly(const Engine& engine);

WheelClass wheel_class_of(const Engine& engine);

}  // namespace cw::campaign
