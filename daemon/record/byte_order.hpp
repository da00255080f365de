// Little-endian integers and varints in byte sequences.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstring>
#include <span>
#include <type_traits>
#include <vector>

namespace cw {

template <typename Integer>
void store_le(std::byte* at, Integer value) {
  auto bits = static_cast<std::make_unsigned_t<Integer>>(value);
  for (std::size_t i = 0; i < sizeof(Integer); ++i) {
    at[i] = static_cast<std::byte>(bits & 0xFFU);
    if constexpr (sizeof(Integer) > 1) {
      bits >>= 8U;
    }
  }
}

template <typename Integer>
Integer load_le(const std::byte* at) {
  std::make_unsigned_t<Integer> bits = 0;
  for (std::size_t i = sizeof(Integer); i > 0; --i) {
    if constexpr (sizeof(Integer) > 1) {
      bits <<= 8U;
    }
    bits |= std::to_integer<std::make_unsigned_t<Integer>>(at[i - 1]);
  }
  return static_cast<Integer>(bits);
}

template <typename Integer>
void append_le(std::vector<std::byte>& out, Integer value) {
  const std::size_t at = out.size();
  out.resize(at + sizeof(Integer));
  store_le(out.data() + at, value);
}

inline constexpr std::size_t varint_max = 10;

// Folds the sign into the lowest bit, so that small numbers of either sign become small: 0, -1, 1, -2 -> 0, 1, 2, 3.
constexpr std::uint64_t fold_sign(std::uint64_t value) {
  return (value << 1U) ^ (0 - (value >> 63U));
}
constexpr std::uint64_t unfold_sign(std::uint64_t folded) {
  return (folded >> 1U) ^ (0 - (folded & 1U));
}

inline void append_varint(std::vector<std::byte>& out, std::uint64_t value) {
  while (value >= 0x80U) {
    out.push_back(static_cast<std::byte>((value & 0x7FU) | 0x80U));
    value >>= 7U;
  }
  out.push_back(static_cast<std::byte>(value));
}

// Reads a varint at `at`, not past `end`, and moves `at` behind it. False when it is cut off or longer than varint_max.
inline bool read_varint(const std::byte*& at, const std::byte* end, std::uint64_t& value) {
  std::uint64_t result = 0;
  for (unsigned shift = 0; shift < 7 * varint_max && at != end; shift += 7) {
    const auto byte = std::to_integer<std::uint64_t>(*at++);
    result |= (byte & 0x7FU) << shift;
    if (byte < 0x80U) {
      value = result;
      return true;
    }
  }
  return false;
}

}  // namespace cw
