// CAN log as candump -L of can-utils writes it, one frame a line:
//
//   (1436509052.249713) vcan0 123#DEADBEEF
//
//   time       seconds since 1970, 1 to 10 digits, a point, 1 to 9 digits; at most 1 s before the latest (each interface
//              has a queue of its own), at most 24 h after it and, in a file, 366 days after the first
//   interface  1 to 15 bytes (IFNAMSIZ of Linux), at most 250 in a log
//   frame      ID#DATA     3 hexadecimal digits of identifier (to 7FF) or 8 (29 bits), 0 to 8 bytes of data
//              ID#R, ID#R8 remote frame, with the length asked for
//              ID##FDATA   CAN FD: one digit of flags (1: bit rate switch, 2: error state, 4: FD), 0 to 8, 12, 16, 20, 24,
//                          32, 48 or 64 bytes
//              2CCCCCCC#DATA  error frame, the 29 bits being its classes (linux/can/error.h)
//              After 8 bytes of data, or R8, the raw length code _9 to _F (candump -8) is passed over.
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
