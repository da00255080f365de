#include "cli/engine_text.hpp"

#include <filesystem>
#include <utility>

#include "config/baseline_file.hpp"
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
  return EngineText{std::move(std::get<Engine>(engine)), name, text, {}, {}, {}};
}

// Makes `text` the baseline of the engine; an error line, which begins with `shown_name`, when it is none.
std::optional<std::string> add_baseline(EngineText& engine, const std::string& text, const std::string& shown_name) {
  auto baseline = parse_baseline(text, shown_name);
  if (auto* error = std::get_if<ConfigError>(&baseline)) {
    return std::move(error->message);
  }
  engine.engine.baseline = std::move(std::get<Baseline>(baseline));
  engine.baseline_text = text;
  return std::nullopt;
}

// The baseline that the engine file at `path` names, if any.
std::optional<std::string> read_baseline(EngineText& engine, const std::string& path) {
  if (engine.engine.baseline_file.empty()) {
    return std::nullopt;
  }
  const std::string file = (std::filesystem::path(path).parent_path() / engine.engine.baseline_file).string();
  std::string text;
  if (Problem problem = read_file(file, baseline_file_bytes_max, text)) {
    return path + ": engine.baseline: expected a baseline that `crankwitness baseline --save` wrote: " + *problem;
  }
  return add_baseline(engine, text, file);
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
    if (auto problem = read_baseline(*made, path)) {
      return std::move(*problem);
    }
  }
  return engine;
}

std::variant<EngineText, std::string> engine_text_of(const SessionInfo& session, const std::string& input) {
  auto engine = make_engine_text(session.engine_file_name, session.engine_file_text, input + " (its engine file)");
  auto* made = std::get_if<EngineText>(&engine);
  if (made != nullptr && !session.baseline_text.empty()) {
    if (auto problem = add_baseline(*made, session.baseline_text, input + " (its baseline)")) {
      return std::move(*problem);
    }
  }
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
