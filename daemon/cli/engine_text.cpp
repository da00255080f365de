#include "cli/engine_text.hpp"

#include <utility>

#include "config/engine_file.hpp"
#include "config/signal_map_file.hpp"
#include "record/disk_file.hpp"

namespace cw {

namespace {

std::variant<EngineText, std::string> make_engine_text(const std::string& name, const std::string& text,
                                                       const std::string& shown_name) {
  auto engine = parse_engine(text, shown_name);
  if (auto* error = std::get_if<ConfigError>(&engine)) {
    return std::move(error->message);
  }
  return EngineText{std::move(std::get<Engine>(engine)), name, text, {}, {}};
}

void add_map(EngineText& engine, SignalMapFile file) {
  const CanSpec& spec = engine.engine.can[engine.maps.size()];
  MapText text{spec.map, std::move(file.source.text), {}, {}};
  if (file.dbc) {
    text.dbc_name = std::move(file.dbc->name);
    text.dbc_text = std::move(file.dbc->text);
  }
  engine.map_texts.push_back(std::move(text));
  engine.maps.push_back({std::move(file.map), spec.interface});
}

}  // namespace

std::variant<EngineText, std::string> read_engine_text(const std::string& path) {
  constexpr std::uint64_t size_max = 16ULL * 1024 * 1024;
  std::string text;
  if (Problem problem = read_file(path, size_max, text)) {
    return *problem;
  }
  auto engine = make_engine_text(path, text, path);
  if (auto* made = std::get_if<EngineText>(&engine)) {
    auto maps = load_signal_maps(made->engine, path);
    if (auto* error = std::get_if<ConfigError>(&maps)) {
      return std::move(error->message);
    }
    for (SignalMapFile& file : std::get<std::vector<SignalMapFile>>(maps)) {
      add_map(*made, std::move(file));
    }
  }
  return engine;
}

std::variant<EngineText, std::string> engine_text_of(const SessionInfo& session, const std::string& input) {
  auto engine = make_engine_text(session.engine_file_name, session.engine_file_text, input + " (its engine file)");
  auto* made = std::get_if<EngineText>(&engine);
  if (made == nullptr) {
    return engine;
  }
  if (session.signal_maps.size() != made->engine.can.size()) {
    return input + ": expected " + std::to_string(made->engine.can.size()) +
           " signal maps in session.toml, as its engine file names (--engine FILE replays it with another), found " +
           std::to_string(session.signal_maps.size());
  }
  for (const MapText& text : session.signal_maps) {
    const ReadDbc saved = [&](const std::string&) { return text.dbc_text; };
    auto file = parse_signal_map(text.text, input + " (its " + text.name + ")", saved);
    if (auto* error = std::get_if<ConfigError>(&file)) {
      return std::move(error->message);
    }
    add_map(*made, std::move(std::get<SignalMapFile>(file)));
  }
  return engine;
}

}  // namespace cw
