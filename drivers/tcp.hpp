// A network serial server, by HOST:PORT (an IPv6 address in brackets: [::1]:7000): a TCP client that only reads, nothing
// is ever sent. Hosts other than this computer are refused unless the source allows them (`allow_remote`), since
// whoever answers there is believed. Connecting takes at most 3 s for all addresses of a name; a peer that falls silent
// without a word is asked by keep-alive, so that a pulled cable is seen within some 15 s.
#pragma once

#include "drivers/driver.hpp"

namespace cw {

extern const DriverEntry tcp_entry;      // of the edge stream
extern const DriverEntry tcp_csv_entry;  // of edge CSV, for devices that print it

}  // namespace cw
