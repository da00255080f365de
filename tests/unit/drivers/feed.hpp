// A whole input through a driver, in pieces of any size.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <string_view>

#include "drivers/driver.hpp"
#include "drivers/registry.hpp"

namespace cw::test {

// From start() to finish(), each piece as long as `next_size()` says. Whether the driver found it sound.
template <typename NextSize>
bool feed(Driver& driver, std::string_view bytes, NextSize next_size, ItemBuffer& out) {
  driver.start(out);
  for (std::size_t at = 0; at < bytes.size();) {
    const std::size_t size = std::min<std::size_t>(next_size(), bytes.size() - at);
    if (!driver.read(std::span(bytes).subspan(at, size), out)) {
      return false;
    }
    at += size;
  }
  return driver.finish(out);
}

struct Decoded {
  ItemBuffer items;
  std::string error;
  std::uint64_t bad = 0;
};

// A whole text through a new driver of this name.
template <typename NextSize>
Decoded decode_by(std::string_view name, const DriverSettings& settings, std::string_view text, NextSize next_size) {
  const auto driver = find_driver(name)->make(settings);
  Decoded out;
  feed(*driver, text, next_size, out.items);
  out.error = driver->error();
  out.bad = driver->bad_inputs();
  return out;
}

}  // namespace cw::test
