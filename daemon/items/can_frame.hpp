// One frame seen on a CAN bus, as it lies in the payload of a can_frame item.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

#include "items/item_buffer.hpp"

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

inline constexpr std::uint32_t can_id_max = 0x7FF;
inline constexpr std::uint32_t can_extended_id_max = 0x1FFFFFFF;
inline constexpr std::size_t can_length_max = 8;
inline constexpr std::size_t can_fd_length_max = 64;

// Identifiers that agree with `id` in the bits of `mask`: of 29 bits, or of 11.
struct CanIdMatch {
  std::uint32_t id = 0;
  std::uint32_t mask = can_extended_id_max;
  bool extended = false;

  friend bool operator==(const CanIdMatch&, const CanIdMatch&) = default;
};

// Whether a frame can hold so many bytes: ISO 11898-1 has no code for other lengths of CAN FD.
bool can_length_is_sound(std::size_t length, bool fd);

// Whether there can be such a frame: identifier and length in range, no remote or error frame of CAN FD, an error frame
// neither remote nor extended, the flags of CAN FD with CAN FD only.
bool is_sound(const CanFrame& frame);

// Adds a can_frame item with `frame` as its payload (layout: record/CAPTURE_FORMAT.md). Data beyond `length` is not
// kept. Nothing is added, and false returned, when the frame is not sound.
bool add_can_frame(ItemBuffer& out, std::uint8_t channel, std::int64_t source_ns, const CanFrame& frame);

// The frame of a can_frame item, with its stamps. `payload` is that of its batch. Nothing when the item is of another
// kind or its payload is malformed: too short or too long, unknown flags, or a frame that is not sound.
std::optional<CanFrame> can_frame_of(const Item& item, std::span<const std::byte> payload);

}  // namespace cw
