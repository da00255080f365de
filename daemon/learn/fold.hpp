// The edges of one signal laid upon each other, repeat by repeat: where in a repeat each edge comes, as a share of the
// repeat's time. What changes from repeat to repeat averages out; speed that changes alike in every repeat stays in it.
//
// "Fold degrees" are shares of a repeat times 360, whatever the repeat is: a turn, a cycle.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

namespace cw::learn {

struct Fold {
  std::vector<double> at_deg;       // of each edge, [0, 360), the first 0: ascending
  std::vector<double> scatter_deg;  // standard deviation from repeat to repeat, of one repeat
  double repeat_ns = 0;             // mean length of the repeats used
  std::vector<std::size_t> starts;  // index of the first edge of each repeat used, ascending
};

// Folds `t_ns` (ascending) after every `edges`. Used are repeats of the one stretch that is best: without an interval whose
// ratio to its neighbour differs by more than 40 % from the one a repeat before, and long and fast; and of that the half
// that turned fastest (the ripple of an engine is least there), without those much longer or shorter than their neighbours.
// Nothing with fewer than three such repeats.
std::optional<Fold> fold_edges(std::span<const std::int64_t> t_ns, std::size_t edges);

// A fold over two repeats as one over one: the mean of both halves. The number of edges must be even.
Fold halved(const Fold& fold);

// Where `t_ns` (ascending) come in the repeats of `base_ns` used by `base`: the edges that come in most repeats at about the
// same place, at most `edges_max`; with how much each scatters. Nothing when that is not so in six of ten repeats.
struct PlacedEdge {
  double at_deg = 0;  // fold degrees of `base`
  double scatter_deg = 0;
};
std::optional<std::vector<PlacedEdge>> place_edges(std::span<const std::int64_t> t_ns,
                                                   std::span<const std::int64_t> base_ns, const Fold& base,
                                                   std::size_t edges_max);

}  // namespace cw::learn
