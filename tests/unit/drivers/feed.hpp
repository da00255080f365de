// A whole input through a driver, in pieces of any size.
#pragma once

#include <algorithm>
#include <cstddef>
#include <span>
#include <string_view>

#include "drivers/driver.hpp"

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

}  // namespace cw::test
