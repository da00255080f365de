#include "record/crc32c.hpp"

#include <boost/crc.hpp>

namespace cw {

std::uint32_t crc32c(std::span<const std::byte> first, std::span<const std::byte> second) {
  boost::crc_optimal<32, 0x1EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, true, true> crc;
  crc.process_bytes(first.data(), first.size());
  crc.process_bytes(second.data(), second.size());
  return crc.checksum();
}

std::uint32_t crc32c(std::span<const std::byte> bytes) {
  return crc32c(bytes, {});
}

}  // namespace cw
