#include "cli/channel_names.hpp"

#include <algorithm>
#include <boost/algorithm/string/join.hpp>

namespace cw {

namespace {

std::vector<std::string> channels_of(const Engine& engine) {
  std::vector<std::string> names = {engine.crank.channel};
  for (const CamPattern& cam : engine.cams) {
    names.push_back(cam.channel);
  }
  if (engine.reference) {
    names.push_back(engine.reference->channel);
  }
  return names;
}

// Adds one "crank=D0"; what is wrong with it, or an empty text.
std::string add_pair(const std::string& part, const std::vector<std::string>& known, ChannelNames& names) {
  const std::size_t equals = part.find('=');
  const std::string ours = part.substr(0, equals);
  const std::string theirs = equals == std::string::npos ? "" : part.substr(equals + 1);
  if (ours.empty() || theirs.empty()) {
    return "expected NAME=DEVICE_NAME pairs with commas between, such as crank=D0,cam1=D1, found \"" + part + "\"";
  }
  if (std::find(known.begin(), known.end(), ours) == known.end()) {
    return "expected a channel of the engine file (" + boost::algorithm::join(known, ", ") + "), found \"" + ours +
           "\"";
  }
  for (const auto& [our_other, their_other] : names) {
    if (our_other == ours || their_other == theirs) {
      return "expected each name once, found \"" + (our_other == ours ? ours : theirs) + "\" again";
    }
  }
  names.emplace_back(ours, theirs);
  return {};
}

}  // namespace

std::variant<ChannelNames, std::string> channel_names(const std::string& text, const Engine& engine) {
  if (text.empty()) {
    const auto named = std::find_if(engine.sources.begin(), engine.sources.end(),
                                    [](const SourceSpec& source) { return !source.channels.empty(); });
    return named == engine.sources.end() ? ChannelNames() : named->channels;
  }
  const std::vector<std::string> known = channels_of(engine);
  ChannelNames names;
  for (std::size_t at = 0; at <= text.size();) {
    const std::size_t comma = std::min(text.find(',', at), text.size());
    if (const std::string problem = add_pair(text.substr(at, comma - at), known, names); !problem.empty()) {
      return "--channels: " + problem;
    }
    at = comma + 1;
  }
  return names;
}

std::string crank_not_seen(const SessionTotals& totals, const Engine& engine) {
  const std::string& crank = engine.crank.channel;
  const std::vector<std::string>& seen = totals.channels();
  if (totals.edges() == 0 || std::find(seen.begin(), seen.end(), crank) != seen.end()) {
    return {};
  }
  return "no edge on \"" + crank +
         "\", the crank's channel in the engine file; channels with edges: " + boost::algorithm::join(seen, ", ") +
         ". If one of them is the crank: --channels " + crank + "=NAME";
}

}  // namespace cw
