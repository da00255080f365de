#include "items/item.hpp"

namespace cw {

std::span<const std::byte> payload_of(const Item& item, std::span<const std::byte> payload) {
  constexpr std::size_t length_bytes = 2;
  if (item.payload_at == Item::no_payload || item.payload_at + length_bytes > payload.size()) {
    return {};
  }
  const auto low = std::to_integer<std::size_t>(payload[item.payload_at]);
  const auto high = std::to_integer<std::size_t>(payload[item.payload_at + 1]);
  const std::size_t length = low | (high << 8);
  const std::size_t begin = item.payload_at + length_bytes;
  if (begin + length > payload.size()) {
    return {};
  }
  return payload.subspan(begin, length);
}

std::array<std::byte, 8> gap_count_bytes(std::uint64_t count) {
  std::array<std::byte, 8> bytes{};
  for (std::byte& byte : bytes) {
    byte = static_cast<std::byte>(count & 0xFFU);
    count >>= 8U;
  }
  return bytes;
}

std::optional<std::uint64_t> gap_count(std::span<const std::byte> payload) {
  if (payload.empty()) {
    return std::nullopt;
  }
  std::uint64_t count = 0;
  for (std::size_t i = 0; i < payload.size() && i < sizeof count; ++i) {
    count |= std::to_integer<std::uint64_t>(payload[i]) << (8 * i);
  }
  return count;
}

}  // namespace cw
