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

}  // namespace cw
