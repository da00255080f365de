#include "signals/signal_name.hpp"

#include <array>
#include <cstddef>

namespace cw {

namespace {

constexpr std::array kinds = {
    SignalKind{SignalName::engine_speed, "engine_speed", Quantity::speed},
    SignalKind{SignalName::sync_state, "sync_state", Quantity::state},
    SignalKind{SignalName::sync_loss_count, "sync_loss_count", Quantity::count},
    SignalKind{SignalName::spark_advance, "spark_advance", Quantity::angle},
    SignalKind{SignalName::spark_cut, "spark_cut", Quantity::share},
    SignalKind{SignalName::fuel_cut, "fuel_cut", Quantity::share},
    SignalKind{SignalName::trigger_offset, "trigger_offset", Quantity::angle},
    SignalKind{SignalName::cam_angle, "cam_angle", Quantity::angle, true},
    SignalKind{SignalName::cam_target, "cam_target", Quantity::angle, true},
    SignalKind{SignalName::battery_voltage, "battery_voltage", Quantity::voltage},
    SignalKind{SignalName::coolant_temperature, "coolant_temperature", Quantity::temperature},
    SignalKind{SignalName::oil_temperature, "oil_temperature", Quantity::temperature},
    SignalKind{SignalName::oil_pressure, "oil_pressure", Quantity::pressure},
};

constexpr bool in_order() {
  for (std::size_t i = 0; i < kinds.size(); ++i) {
    if (static_cast<std::size_t>(kinds[i].name) != i) {
      return false;
    }
  }
  return true;
}
static_assert(in_order());

}  // namespace

std::span<const SignalKind> signal_kinds() {
  return kinds;
}

const SignalKind& kind_of(SignalName name) {
  return kinds[static_cast<std::size_t>(name)];
}

std::string_view to_string(SignalName name) {
  return kind_of(name).text;
}

}  // namespace cw
