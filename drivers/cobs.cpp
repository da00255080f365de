#include "drivers/cobs.hpp"

#include <algorithm>

namespace cw {

std::optional<std::size_t> cobs_decode(std::span<const std::uint8_t> coded, std::span<std::uint8_t> plain) {
  constexpr std::uint8_t full_block = 0xFF;  // 254 bytes, no zero after them
  if (coded.empty() || plain.size() < coded.size()) {
    return std::nullopt;
  }
  std::size_t written = 0;
  while (!coded.empty()) {
    const std::uint8_t code = coded.front();
    if (code == 0 || code > coded.size()) {
      return std::nullopt;
    }
    const auto block = coded.subspan(1, code - 1U);
    if (std::find(block.begin(), block.end(), 0) != block.end()) {
      return std::nullopt;
    }
    std::copy(block.begin(), block.end(), plain.begin() + static_cast<std::ptrdiff_t>(written));
    written += block.size();
    coded = coded.subspan(code);
    if (code != full_block && !coded.empty()) {
      plain[written++] = 0;
    }
  }
  return written;
}

}  // namespace cw
