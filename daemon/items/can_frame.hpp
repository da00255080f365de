// One frame seen on a CAN bus, as it lies in the payload of a can_frame item.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>

namespace cw {

// Classical CAN, CAN FD, remote and error frames (ISO 11898-1; error frames as Linux reports them, linux/can/error.h).
// Value type; holds nothing that a bus log (candump -L) could not say, but for the stamps.
struct CanFrame {
  std::uint32_t id = 0;                // 11 or 29 bits, by `extended`; of an error frame its error classes
  bool extended = false;               // 29-bit identifier
  bool remote = false;                 // remote transmission request: no data; `length` is what was asked for
  bool error = false;                  // an error frame made by the controller: `data` as linux/can/error.h says
  bool fd = false;                     // CAN FD
  bool bit_rate_switch = false;        // FD only
  bool error_state_indicator = false;  // FD only
  std::uint8_t length = 0;             // bytes of data: 0 to 8; FD: 0 to 8, 12, 16, 20, 24, 32, 48, 64
  std::array<std::byte, 64> data{};

  // Stamps beside the item's source time, where the interface gives them: the kernel's on arrival in the driver
  // (CLOCK_REALTIME), and the controller's own. Nanoseconds. Absent from a log.
  std::optional<std::int64_t> kernel_ns;
  std::optional<std::int64_t> hardware_ns;

  friend bool operator==(const CanFrame&, const CanFrame&) = default;
};

}  // namespace cw
