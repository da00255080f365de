// Bytes written as numbers.
#pragma once

#include <cstddef>
#include <initializer_list>
#include <vector>

namespace cw::test {

inline std::vector<std::byte> bytes(std::initializer_list<int> values) {
  std::vector<std::byte> out;
  for (const int value : values) {
    out.push_back(static_cast<std::byte>(value));
  }
  return out;
}

}  // namespace cw::test
