#include "monitor/channel_role.hpp"

#include <cstddef>

namespace cw {

namespace {

EdgeCode code_of(ActiveEdge edge) {
  return edge == ActiveEdge::rising ? EdgeCode::rising : EdgeCode::falling;
}

std::int64_t ns_of_us(double us) {
  return static_cast<std::int64_t>(us * 1000.0);
}

}  // namespace

ChannelRole role_of(const Engine& engine, const std::string& name) {
  if (name == engine.crank.channel) {
    return {Role::crank, false, code_of(engine.crank.active_edge), 0, ns_of_us(engine.crank.delay_us)};
  }
  for (std::size_t i = 0; i < engine.cams.size(); ++i) {
    const CamPattern& cam = engine.cams[i];
    if (name == cam.channel && !cam.edges.empty()) {
      return {Role::cam, cam.lists_both_edges(), code_of(cam.edges.front().edge), static_cast<std::uint8_t>(i),
              ns_of_us(cam.delay_us)};
    }
  }
  if (engine.reference && name == engine.reference->channel) {
    return {Role::reference, false, code_of(engine.reference->active_edge), 0, ns_of_us(engine.reference->delay_us)};
  }
  return {};
}

}  // namespace cw
