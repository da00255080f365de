// Edges of a turning engine as a capture device sees them, as many as are wanted.
#pragma once

#include <cstdint>
#include <utility>
#include <vector>

#include "items/item_buffer.hpp"

namespace cw::load {

struct Edge {
  std::int64_t t_ns = 0;  // on the device's clock
  std::uint8_t channel = 0;
  bool rising = false;
  friend bool operator==(const Edge&, const Edge&) = default;
};

inline Edge edge_of(const Item& item) {
  return {item.source_ns, item.channel, item.code == static_cast<std::uint8_t>(EdgeCode::rising)};
}

inline std::vector<Edge> edges_of(const ItemBuffer& items) {
  std::vector<Edge> edges;
  for (const Item& item : items.items) {
    if (item.kind == ItemKind::edge) {
      edges.push_back(edge_of(item));
    }
  }
  return edges;
}

// A stretch of edges again and again, each time later by `length_ns`, which must be at least the last edge's time.
class RepeatedEdges {
 public:
  RepeatedEdges(std::vector<Edge> edges, std::int64_t length_ns) : edges_(std::move(edges)), length_ns_(length_ns) {}

  Edge peek() const {
    Edge edge = edges_[at_];
    edge.t_ns += shift_ns_;
    return edge;
  }
  void drop_front() {
    if (++at_ == edges_.size()) {
      at_ = 0;
      shift_ns_ += length_ns_;
    }
  }

 private:
  std::vector<Edge> edges_;
  std::int64_t length_ns_;
  std::size_t at_ = 0;
  std::int64_t shift_ns_ = 0;
};

}  // namespace cw::load
