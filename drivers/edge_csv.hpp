// Edge CSV: a header line `t_ns,channel,edge`, then one edge a line.
//
//   t_ns     source time in ns, a decimal integer, may be negative; never less than on the line before, at most 24 h
//            after it and 366 days after the first
//   channel  name of 1 to 64 bytes, UTF-8 without comma, quote, space or control characters; at most 250 in a file
//   edge     r (rising) or f (falling)
//
// Lines end in LF or CR LF, the last one may lack it; none is longer than 256 bytes. A UTF-8 byte order mark before the
// header is passed over. Before the first edge of each channel the items name it (channel_named).
//
// Live, a line that can't be read becomes one `gap` item (bad_input, count 1). Time that goes back is such a line too;
// after 8 lines in a row that agree with each other but lie before the last good time, the device has started afresh:
// a `new_epoch` note follows, and edges go on from there. Of a new connection (start() called again) the first line is
// passed over without a word, be it the header or the end of a line: half a line may still look like an edge.
#pragma once

#include "drivers/driver.hpp"

namespace cw {

extern const DriverEntry edge_csv_entry;

std::unique_ptr<Driver> make_edge_csv(const DriverSettings& settings);

}  // namespace cw
