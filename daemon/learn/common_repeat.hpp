// After how many edges of one signal another one repeats: counted, so that no speed and no ripple matters.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

namespace cw::learn {

struct CommonRepeat {
  std::size_t base_edges = 0;   // edges of the base from an edge of the other to the same edge again
  std::size_t other_edges = 0;  // edges of the other in that
};

// The smallest repeat of `other_ns` on the count of `base_ns` (both ascending). Nothing when there is none within
// `other_edges_max`: too few edges, another shaft, or noise. Four of five must agree, each within a fifth of a percent of
// the repeat (1.4 degrees of a cycle: the play of a cam drive) or a twelfth of an edge.
std::optional<CommonRepeat> common_repeat(std::span<const std::int64_t> base_ns, std::span<const std::int64_t> other_ns,
                                          std::size_t other_edges_max);

}  // namespace cw::learn
