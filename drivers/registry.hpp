// All drivers. To add one: write its file pair, add its entry in registry.cpp.
#pragma once

#include <span>
#include <string>
#include <string_view>

#include "drivers/driver.hpp"

namespace cw {

std::span<const DriverEntry> driver_entries();

// nullptr when there is none of that name.
const DriverEntry* find_driver(std::string_view name);

// The driver that recognises a file by its first bytes; nullptr when none does.
const DriverEntry* driver_for_file(std::string_view head);

// The names, for an error line: "csv, vcd".
std::string driver_names();

}  // namespace cw
