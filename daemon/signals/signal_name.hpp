// What an ECU can say, by name: the signals that a map may hold, their meaning and their unit.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string_view>

namespace cw {

enum class SignalName : std::uint8_t {
  engine_speed,
  sync_state,       // a lock state, by the map's table of values
  sync_loss_count,  // counts up, wraps at the end of its bits
  spark_advance,    // degrees before TDC of cylinder 1; negative = after
  spark_cut,        // 0 = none, anything above = some
  fuel_cut,
  trigger_offset,  // as in the engine file, DESIGN 2: 0 to 720
  cam_angle,       // of one cam, crank degrees from park as in phaser_range_deg: negative = advance (earlier)
  cam_target,
  battery_voltage,
  coolant_temperature,
  oil_temperature,
  oil_pressure,
};

// What a signal measures, which decides its unit.
enum class Quantity : std::uint8_t { speed, state, count, angle, share, voltage, temperature, pressure };

struct SignalKind {
  SignalName name;
  std::string_view text;  // as in files: "engine_speed"
  Quantity quantity;
  bool of_a_cam = false;  // there is one for each cam
};
std::span<const SignalKind> signal_kinds();
const SignalKind& kind_of(SignalName name);
std::string_view to_string(SignalName name);

}  // namespace cw
