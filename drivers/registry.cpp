#include "drivers/registry.hpp"

#include <algorithm>
#include <array>

#include "drivers/candump_log.hpp"
#include "drivers/edge_csv.hpp"
#include "drivers/edge_stream.hpp"
#include "drivers/serial.hpp"
#include "drivers/socketcan.hpp"
#include "drivers/tcp.hpp"
#include "drivers/vcd.hpp"

namespace cw {

std::span<const DriverEntry> driver_entries() {
  static const std::array entries = {
      edge_csv_entry, edge_stream_entry, vcd_entry,         serial_entry,    serial_csv_entry,
      tcp_entry,      tcp_csv_entry,     candump_log_entry, socketcan_entry,
  };
  return entries;
}

const DriverEntry* find_driver(std::string_view name) {
  const auto entries = driver_entries();
  const auto found =
      std::find_if(entries.begin(), entries.end(), [&](const auto& entry) { return entry.name == name; });
  return found == entries.end() ? nullptr : &*found;
}

const DriverEntry* driver_for_file(std::string_view head) {
  const auto entries = driver_entries();
  const auto found = std::find_if(entries.begin(), entries.end(), [&](const auto& entry) {
    return entry.recognises != nullptr && entry.recognises(head);
  });
  return found == entries.end() ? nullptr : &*found;
}

std::string driver_names() {
  std::string names;
  for (const DriverEntry& entry : driver_entries()) {
    names += names.empty() ? "" : ", ";
    names += entry.name;
  }
  return names;
}

}  // namespace cw
