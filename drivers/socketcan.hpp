// A CAN interface of Linux (SocketCAN, raw sockets: Documentation/networking/can.rst of the kernel), by its name: can0.
// It listens only: there is no send or write here (and the controller may still acknowledge: see can_mode.hpp).
//
// Classical and FD frames, remote frames, and all error frames. An item's source time is the kernel's stamp on arrival
// in the interface's driver (CLOCK_REALTIME, what candump -L prints); a stamp of the controller itself stands beside it
// (CanFrame::hardware_ns); host time is that of reading. When the kernel's clock is set back by more than a second, or
// ahead by more than 24 h, a `new_epoch` note comes before the next frame. Frames for which the socket had no room are
// counted by the kernel (SO_RXQ_OVFL) and become a `gap` item (receive_overflow, with their count) before the next frame.
// The interface is channel 0, named before its first frame.
//
// An interface that goes down or away is a link that was lost; it is opened again when it is up.
#pragma once

#include <linux/can.h>

#include <cstdint>

#include "drivers/driver.hpp"

namespace cw {

extern const DriverEntry socketcan_entry;

// What receiving hands to decoding, one for each frame, as bytes of this process.
struct SocketCanRecord {
  canfd_frame frame{};           // as the kernel gave it; of a classical frame only the first CAN_MTU bytes
  std::uint32_t frame_size = 0;  // CAN_MTU or CANFD_MTU
  std::uint32_t drops = 0;       // frames dropped by the socket so far, modulo 2^32
  std::int64_t arrival_ns = 0;   // CLOCK_REALTIME when it was read
  std::int64_t kernel_ns = 0;    // 0: none
  std::int64_t hardware_ns = 0;  // 0: none
};

// Decodes such records, in any cut.
std::unique_ptr<Driver> make_socketcan(const DriverSettings& settings);

}  // namespace cw
