#include "cli/raw_edges.hpp"

#include <algorithm>
#include <map>
#include <utility>

#include "cli/replay_source.hpp"

namespace cw {

namespace {

// Edges of each source since its clock last started, and the best part so far.
class EdgeCollector {
 public:
  void take(const ItemBuffer& items) {
    for (const Item& item : items.items) {
      if (item.kind == ItemKind::link_note) {
        note(item, items);
      } else if (item.kind == ItemKind::edge && taken_ < raw_edges_max) {
        edge(item);
      }
    }
  }

  bool full() const { return taken_ >= raw_edges_max; }

  std::vector<learn::Channel> best() {
    for (auto& [number, source] : sources_) {
      end_part(source);
    }
    return std::move(best_);
  }

 private:
  struct Source {
    std::map<int, learn::Channel> channels;
    std::size_t edges = 0;
  };

  void note(const Item& item, const ItemBuffer& items) {
    Source& source = sources_[item.source];
    if (item.code == static_cast<std::uint8_t>(LinkNote::channel_named)) {
      const auto bytes = payload_of(item, items.payload);
      source.channels[item.channel].name.assign(reinterpret_cast<const char*>(bytes.data()), bytes.size());
    } else if (item.code == static_cast<std::uint8_t>(LinkNote::new_epoch)) {
      end_part(source);
    }
  }

  void edge(const Item& item) {
    Source& source = sources_[item.source];
    learn::Channel& channel = source.channels[item.channel];
    const bool rising = item.code == static_cast<std::uint8_t>(EdgeCode::rising);
    std::vector<std::int64_t>& times = rising ? channel.rising_ns : channel.falling_ns;
    if (times.empty() || item.source_ns >= times.back()) {
      times.push_back(item.source_ns);
      ++source.edges;
      ++taken_;
    }
  }

  void end_part(Source& source) {
    if (source.edges > best_edges_) {
      best_edges_ = source.edges;
      best_.clear();
      for (const auto& [number, channel] : source.channels) {
        if (!channel.rising_ns.empty() || !channel.falling_ns.empty()) {
          best_.push_back(channel);
        }
      }
    }
    source.edges = 0;
    for (auto& [number, channel] : source.channels) {
      channel.rising_ns.clear();
      channel.falling_ns.clear();
    }
  }

  std::map<int, Source> sources_;
  std::vector<learn::Channel> best_;
  std::size_t best_edges_ = 0;
  std::size_t taken_ = 0;
};

}  // namespace

std::variant<RawEdges, std::string> read_raw_edges(const std::vector<std::string>& paths) {
  auto opened = ReplaySource::open(paths);
  if (auto* error = std::get_if<std::string>(&opened)) {
    return std::move(*error);
  }
  auto& source = std::get<ReplaySource>(opened);
  if (source.session() == nullptr) {
    source.begin_files({}, std::vector<std::int64_t>(paths.size(), 0));
  }
  EdgeCollector collector;
  while (!collector.full() && source.next([&](ItemBuffer&& items) { collector.take(items); })) {
  }
  RawEdges edges;
  edges.cut = collector.full();
  edges.trouble = source.error();
  edges.channels = collector.best();
  return edges;
}

}  // namespace cw
