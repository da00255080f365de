// Times as files mostly write them: digits, eight at a time. Only for readers that leave all else to careful ones.
#pragma once

#include <bit>
#include <cstddef>
#include <cstdint>
#include <cstring>

namespace cw {

// Bytes that must be readable where plain_digits() begins.
inline constexpr std::ptrdiff_t plain_digits_reach = 32;

// Whether eight digits stand at `at`; and these bytes, the first the lowest.
inline bool are_digits(const char* at, std::uint64_t& bytes) {
  static_assert(std::endian::native == std::endian::little);
  std::memcpy(&bytes, at, sizeof(bytes));
  // The upper half of a digit is 3, and stays so when 6 is added.
  constexpr std::uint64_t upper = 0xF0F0F0F0F0F0F0F0U;
  constexpr std::uint64_t six = 0x0606060606060606U;
  constexpr std::uint64_t three = 0x3333333333333333U;
  return ((bytes & upper) | (((bytes + six) & upper) >> 4U)) == three;
}

// Their value: neighbours are joined to pairs, pairs to fours, fours to eight.
inline std::uint64_t eight_digits(std::uint64_t bytes) {
  bytes = (bytes & 0x0F0F0F0F0F0F0F0FU) * (10U << 8U | 1U) >> 8U;
  bytes = (bytes & 0x00FF00FF00FF00FFU) * (100U << 16U | 1U) >> 16U;
  return (bytes & 0x0000FFFF0000FFFFU) * (10000ULL << 32U | 1U) >> 32U;
}

// The number that begins at `at`, of at most 18 digits, which can't overflow. Where it ends; nullptr when there is no digit
// or one too many.
inline const char* plain_digits(const char* at, std::int64_t& number) {
  constexpr std::ptrdiff_t digits_max = 18;
  const char* const begin = at;
  std::uint64_t value = 0;
  if (std::uint64_t bytes = 0; are_digits(at, bytes)) {
    value = eight_digits(bytes);
    at += sizeof(bytes);
  }
  for (; *at >= '0' && *at <= '9' && at - begin <= digits_max; ++at) {
    value = value * 10 + static_cast<std::uint64_t>(*at - '0');
  }
  number = static_cast<std::int64_t>(value);
  return at == begin || at - begin > digits_max ? nullptr : at;
}

}  // namespace cw
