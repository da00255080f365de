// CAN log as candump -L of can-utils writes it, one frame a line:
//
//   (1436509052.249713) vcan0 123#DEADBEEF
//
//   time       seconds since 1970, 1 to 10 digits, a point, 1 to 9 digits; at most 1 s before the latest (each interface
//              has a queue of its own), at most 24 h after it and, in a file, 366 days after the first
//   interface  1 to 15 bytes (IFNAMSIZ of Linux), at most 250 in a log
//   frame      classical, CAN FD, remote or error frame: items/can_frame_text.hpp
//   direction  R or T after a space, or nothing; passed over
//
// Each interface is a channel: before its first frame the items name it (channel_named). Lines end in LF or CR LF, the
// last one may lack it; none is longer than 256 bytes; empty ones are passed over. CAN XL is not read.
//
// Live, a line that can't be read becomes one `gap` item (bad_input, count 1). Time that goes back is such a line too;
// after 8 lines in a row that agree with each other, a `new_epoch` note follows, and frames go on from there.
#pragma once

#include "drivers/driver.hpp"

namespace cw {

extern const DriverEntry candump_log_entry;

std::unique_ptr<Driver> make_candump_log(const DriverSettings& settings);

}  // namespace cw
