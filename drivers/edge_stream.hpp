// Edge stream of a capture device (drivers/EDGE_STREAM.md): binary or text form, whichever comes; a file, a FIFO,
// standard input, or what a serial port or a TCP connection delivers.
//
// It gets going at the first header, wherever it joins in; a piece of a frame or line before the first sound one is
// passed over. Damage does not end it, live or not: the sequence numbers tell what was lost, which becomes one `gap`
// item:
//   link_lost       edges were lost on the way: so many (binary form), or at most so many (text form, lines), or
//                   unknown (no payload), also when the device started afresh
//   device_dropped  the device says that it lost so many
//   bad_input       something could not be read: count 0 when no edge was lost with it, no payload when unknown
// A `new_epoch` note follows where the device started afresh or its counter may have wrapped unseen; source time then
// goes on from the last one known. Edge times never fall. Headers and heartbeats become `heartbeat` notes. When not
// live, an input without a single header is an error.
#pragma once

#include "drivers/driver.hpp"

namespace cw {

extern const DriverEntry edge_stream_entry;

// The same decoder for entries that open their addresses in another way.
std::unique_ptr<Driver> make_edge_stream(const DriverSettings& settings);

}  // namespace cw
