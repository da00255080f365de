// A serial port, by the path of its terminal device (`/dev/serial/by-id/...`): 8 data bits, no parity, 1 stop bit, no
// flow control, at any baud rate that the port can do. A pseudo-terminal will do for one.
//
// Nothing is ever written: the port is opened for reading only, and its echo is switched off. (Opening a port raises
// DTR and RTS, as on any Linux system; closing it leaves them as they are, so that a board which resets on DTR does not
// restart with each start of the program.) The port is locked against other programs (TIOCEXCL) while it is open.
#pragma once

#include "drivers/driver.hpp"

namespace cw {

extern const DriverEntry serial_entry;      // of the edge stream
extern const DriverEntry serial_csv_entry;  // of edge CSV, for devices that print it

}  // namespace cw
