// What a channel of the timing source is to the engine, by its name.
#pragma once

#include <cstdint>
#include <string>

#include "geometry/engine.hpp"
#include "items/item.hpp"

namespace cw {

enum class Role : std::uint8_t { none, crank, cam, reference };

struct ChannelRole {
  Role role = Role::none;
  bool both_edges = false;  // edges of both polarities are listed; else only `active` ones count
  EdgeCode active = EdgeCode::falling;
  std::uint8_t cam = 0;       // index in Engine::cams
  std::int64_t delay_ns = 0;  // known delay, to be subtracted from its edge times
};

// Role::none for a channel that the engine file does not name.
ChannelRole role_of(const Engine& engine, const std::string& name);

inline ActiveEdge edge_of(EdgeCode code) {
  return code == EdgeCode::rising ? ActiveEdge::rising : ActiveEdge::falling;
}

}  // namespace cw
