// CRC-32C (Castagnoli): reflected polynomial 0x1EDC6F41, start and final inversion 0xFFFFFFFF, as in RFC 3720 12.1.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

namespace cw {

std::uint32_t crc32c(std::span<const std::byte> bytes);

// The same over two pieces, one behind the other.
std::uint32_t crc32c(std::span<const std::byte> first, std::span<const std::byte> second);

}  // namespace cw
