#include "signals/unit.hpp"

#include <algorithm>
#include <array>
#include <numbers>
#include <vector>

namespace cw {

namespace {

struct KnownUnit {
  Quantity quantity;
  std::string_view text;     // as fold() leaves it
  std::string_view spelled;  // for error lines; empty = another spelling of the one before
  UnitConversion conversion;
};

constexpr double fahrenheit = 1 / 1.8;
constexpr double psi_kpa = 6.894757;  // NIST SP 811 (2008), appendix B.8

// Our own unit first of its quantity.
constexpr std::array units = {
    KnownUnit{Quantity::speed, "rpm", "rpm", {}},
    KnownUnit{Quantity::speed, "1/min", "1/min", {}},
    KnownUnit{Quantity::speed, "min-1", "", {}},
    KnownUnit{Quantity::speed, "min^-1", "", {}},
    KnownUnit{Quantity::speed, "u/min", "", {}},
    KnownUnit{Quantity::speed, "r/min", "", {}},
    KnownUnit{Quantity::speed, "rev/min", "", {}},
    KnownUnit{Quantity::speed, "rad/s", "rad/s", {30 / std::numbers::pi, 0}},
    KnownUnit{Quantity::speed, "hz", "Hz", {60, 0}},
    KnownUnit{Quantity::speed, "1/s", "", {60, 0}},
    KnownUnit{Quantity::angle, "deg", "deg", {}},
    KnownUnit{Quantity::angle, "degree", "", {}},
    KnownUnit{Quantity::angle, "degrees", "", {}},
    KnownUnit{Quantity::angle, "degca", "", {}},
    KnownUnit{Quantity::angle, "degbtdc", "", {}},
    KnownUnit{Quantity::angle, "degcrank", "", {}},
    KnownUnit{Quantity::angle, "cam_deg", "cam_deg", {2, 0}},
    KnownUnit{Quantity::angle, "camdeg", "", {2, 0}},
    KnownUnit{Quantity::angle, "degcam", "", {2, 0}},
    KnownUnit{Quantity::angle, "rad", "rad", {180 / std::numbers::pi, 0}},
    KnownUnit{Quantity::share, "%", "%", {}},
    KnownUnit{Quantity::share, "percent", "", {}},
    KnownUnit{Quantity::share, "flag", "flag", {100, 0}},
    KnownUnit{Quantity::voltage, "v", "V", {}},
    KnownUnit{Quantity::voltage, "volt", "", {}},
    KnownUnit{Quantity::voltage, "volts", "", {}},
    KnownUnit{Quantity::voltage, "mv", "mV", {0.001, 0}},
    KnownUnit{Quantity::temperature, "degc", "degC", {}},
    KnownUnit{Quantity::temperature, "c", "", {}},
    KnownUnit{Quantity::temperature, "celsius", "", {}},
    KnownUnit{Quantity::temperature, "degf", "degF", {fahrenheit, -32 * fahrenheit}},
    KnownUnit{Quantity::temperature, "f", "", {fahrenheit, -32 * fahrenheit}},
    KnownUnit{Quantity::temperature, "k", "K", {1, -273.15}},
    KnownUnit{Quantity::temperature, "degk", "", {1, -273.15}},
    KnownUnit{Quantity::temperature, "kelvin", "", {1, -273.15}},
    KnownUnit{Quantity::pressure, "kpa", "kPa", {}},
    KnownUnit{Quantity::pressure, "pa", "Pa", {0.001, 0}},
    KnownUnit{Quantity::pressure, "hpa", "", {0.1, 0}},
    KnownUnit{Quantity::pressure, "mbar", "mbar", {0.1, 0}},
    KnownUnit{Quantity::pressure, "bar", "bar", {100, 0}},
    KnownUnit{Quantity::pressure, "psi", "psi", {psi_kpa, 0}},
};

// Small letters, no spaces, "deg" for the degree sign.
std::string fold(std::string_view unit) {
  constexpr std::string_view sign = "\u00b0";
  std::string out;
  for (std::size_t i = 0; i < unit.size(); ++i) {
    if (unit.substr(i).starts_with(sign)) {
      out += "deg";
      i += sign.size() - 1;
    } else if (unit[i] != ' ') {
      out += unit[i] >= 'A' && unit[i] <= 'Z' ? static_cast<char>(unit[i] + ('a' - 'A')) : unit[i];
    }
  }
  return out;
}

}  // namespace

std::string_view unit_of(Quantity quantity) {
  const auto* own = std::ranges::find(units, quantity, &KnownUnit::quantity);
  return own == units.end() ? "" : own->spelled;
}

std::optional<UnitConversion> conversion_to_ours(std::string_view unit, Quantity quantity) {
  const std::string folded = fold(unit);
  for (const KnownUnit& known : units) {
    if (known.quantity == quantity && known.text == folded) {
      return known.conversion;
    }
  }
  return std::nullopt;
}

std::string units_expected(Quantity quantity) {
  std::vector<std::string_view> names;
  for (const KnownUnit& known : units) {
    if (known.quantity == quantity && !known.spelled.empty()) {
      names.push_back(known.spelled);
    }
  }
  std::string out;
  for (std::size_t i = 0; i < names.size(); ++i) {
    out += i == 0 ? "" : (i + 1 == names.size() ? " or " : ", ");
    out += names[i];
  }
  return out;
}

}  // namespace cw
