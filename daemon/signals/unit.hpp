// Units that maps and DBC files give, and what makes ours of them.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "signals/signal_name.hpp"

namespace cw {

// Our unit of a quantity, as it is written behind a value: "rpm", "deg", "%", "V", "degC", "kPa"; empty for states and
// counts.
std::string_view unit_of(Quantity quantity);

// value in our unit = value in the other * factor + add.
struct UnitConversion {
  double factor = 1;
  double add = 0;
};

// From `unit`, as DBC files and people spell it (letter case, spaces and a degree sign do not matter), to our unit of
// `quantity`; nothing when it is no known unit of that quantity. "cam_deg" are camshaft degrees, two crank degrees each;
// "flag" is 0 or 1 for a share.
std::optional<UnitConversion> conversion_to_ours(std::string_view unit, Quantity quantity);

// For an error line: "rpm, 1/min, rad/s or Hz".
std::string units_expected(Quantity quantity);

}  // namespace cw
