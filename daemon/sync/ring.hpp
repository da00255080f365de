// A vector as a ring of the newest values: value number n stands at n & (size - 1), so its size is a power of two.
#pragma once

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace cw {

// Adds `values`, no more than the ring holds, to those so far, of which there were `count`. In at most two pieces.
inline void add_to_ring(std::vector<std::int64_t>& ring, std::uint64_t count, std::span<const std::int64_t> values) {
  const auto at = static_cast<std::size_t>(count & (ring.size() - 1));
  const std::size_t first = std::min(values.size(), ring.size() - at);
  std::copy_n(values.begin(), first, ring.begin() + static_cast<std::ptrdiff_t>(at));
  std::copy(values.begin() + static_cast<std::ptrdiff_t>(first), values.end(), ring.begin());
}

}  // namespace cw
