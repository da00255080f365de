// Consistent Overhead Byte Stuffing (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999): bytes without
// zeros, so that a zero can delimit frames.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

namespace cw {

// Undoes it: `coded` is one frame without its delimiter, `plain` has room for coded.size() bytes. The bytes written;
// nullopt when `coded` is empty, holds a zero, or ends within a block.
std::optional<std::size_t> cobs_decode(std::span<const std::uint8_t> coded, std::span<std::uint8_t> plain);

}  // namespace cw
