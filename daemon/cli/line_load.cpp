#include "cli/line_load.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"

namespace cw {

namespace {

// Edges of a cycle on each channel, in any order of channels.
struct ChannelLoad {
  std::string channel;
  double edges_a_cycle = 0;
};

double cam_edges(const CamPattern& cam, SentEdges sent) {
  const auto edges = static_cast<double>(cam.edges.size());
  return sent == SentEdges::both && !cam.lists_both_edges() ? 2 * edges : edges;
}

std::vector<ChannelLoad> loads_of(const Engine& engine, SentEdges sent) {
  const double times = sent == SentEdges::both ? 2 : 1;
  const Wheel& wheel = engine.crank;
  std::vector<ChannelLoad> loads = {
      {wheel.channel, times * static_cast<double>(wheel.teeth.size()) * engine.cycle_deg / wheel.period_deg}};
  for (const CamPattern& cam : engine.cams) {
    loads.push_back({cam.channel, cam_edges(cam, sent)});
  }
  if (engine.reference) {
    loads.push_back({engine.reference->channel, times * engine.cycle_deg / engine.reference->period_deg});
  }
  return loads;
}

std::size_t name_bytes(const SourceSpec& source, const std::string& channel) {
  const auto renamed = std::find_if(source.channels.begin(), source.channels.end(),
                                    [&](const auto& pair) { return pair.first == channel; });
  return renamed == source.channels.end() ? channel.size() : renamed->second.size();
}

}  // namespace

double edges_a_turn(const Engine& engine, SentEdges sent) {
  double edges = 0;
  for (const ChannelLoad& load : loads_of(engine, sent)) {
    edges += load.edges_a_cycle;
  }
  return edges * deg_per_rev / engine.cycle_deg;
}

double text_bytes_a_turn(const Engine& engine, const SourceSpec& source, SentEdges sent) {
  double bytes = 0;
  for (const ChannelLoad& load : loads_of(engine, sent)) {
    bytes += load.edges_a_cycle * (text_bytes_an_edge + static_cast<double>(name_bytes(source, load.channel)));
  }
  return bytes * deg_per_rev / engine.cycle_deg;
}

double line_limit_rpm(int baud, double bytes_a_turn) {
  constexpr double bits_a_byte = 10;
  constexpr double seconds_a_minute = 60;
  return std::floor(baud / bits_a_byte * seconds_a_minute / bytes_a_turn);
}

}  // namespace cw
