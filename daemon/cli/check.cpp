#include "cli/check.hpp"

#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cstdlib>
#include <iostream>
#include <optional>
#include <span>
#include <variant>
#include <vector>

#include "cli/check_ecu.hpp"
#include "cli/check_map.hpp"
#include "config/dbc.hpp"
#include "config/engine_file.hpp"
#include "config/file_shape.hpp"
#include "config/signal_map_file.hpp"
#include "config/text_file.hpp"
#include "items/can_frame_text.hpp"

namespace cw {

namespace {

std::string environment(const char* name) {
  const char* value = std::getenv(name);
  return value == nullptr ? "" : value;
}

std::optional<int> columns_from_environment() {
  const std::string text = environment("COLUMNS");
  int columns = 0;
  const auto result = std::from_chars(text.data(), text.data() + text.size(), columns);
  return result.ec == std::errc() && columns > 0 ? std::optional<int>(columns) : std::nullopt;
}

std::optional<int> columns_of_terminal() {
  winsize size{};
  if (::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) != 0 || size.ws_col == 0) {
    return std::nullopt;
  }
  return size.ws_col;
}

bool locale_is_utf8() {
  for (const char* name : {"LC_ALL", "LC_CTYPE", "LANG"}) {
    std::string value = environment(name);
    if (value.empty()) {
      continue;
    }
    std::transform(value.begin(), value.end(), value.begin(), [](unsigned char c) { return std::tolower(c); });
    return value.find("utf-8") != std::string::npos || value.find("utf8") != std::string::npos;
  }
  return false;
}

struct EngineWithMaps {
  Engine engine;
  std::vector<SignalMapFile> maps;
};
using Described = std::variant<EngineWithMaps, SignalMapFile, Dbc, ConfigError>;

template <typename T>
Described described(std::variant<T, ConfigError> read) {
  if (auto* error = std::get_if<ConfigError>(&read)) {
    return std::move(*error);
  }
  return std::move(std::get<T>(read));
}

Described load_described(const std::string& path) {
  if (path.ends_with(".dbc") || path.ends_with(".DBC")) {
    const auto text = read_text_file(path, "DBC file", dbc_bytes_max);
    if (const auto* error = std::get_if<ConfigError>(&text)) {
      return *error;
    }
    return described(parse_dbc(std::get<std::string>(text), path));
  }
  // Read once: it may be a pipe.
  const auto text = read_text_file(path, "engine file", engine_file_bytes_max);
  if (const auto* error = std::get_if<ConfigError>(&text)) {
    return *error;
  }
  if (looks_like_signal_map(std::get<std::string>(text))) {
    return described(parse_signal_map(std::get<std::string>(text), path));
  }
  auto engine = parse_engine(std::get<std::string>(text), path);
  if (auto* error = std::get_if<ConfigError>(&engine)) {
    return std::move(*error);
  }
  auto maps = load_signal_maps(std::get<Engine>(engine), path);
  if (auto* error = std::get_if<ConfigError>(&maps)) {
    return std::move(*error);
  }
  return EngineWithMaps{std::move(std::get<Engine>(engine)), std::move(std::get<std::vector<SignalMapFile>>(maps))};
}

std::span<const SignalMapFile> maps_of(const Described& described) {
  if (const auto* map = std::get_if<SignalMapFile>(&described)) {
    return {map, 1};
  }
  const auto* engine = std::get_if<EngineWithMaps>(&described);
  return engine == nullptr ? std::span<const SignalMapFile>() : engine->maps;
}

void explain_described(const Described& described, const std::string& path, const CheckLook& look, std::ostream& out) {
  if (const auto* dbc = std::get_if<Dbc>(&described)) {
    explain_dbc(*dbc, path, look, out);
  }
  if (const auto* engine = std::get_if<EngineWithMaps>(&described)) {
    explain_engine(engine->engine, path, look, out);
  }
  for (const SignalMapFile& file : maps_of(described)) {
    out << (std::holds_alternative<EngineWithMaps>(described) ? "\n" : "");
    explain_map(file.map, file.source.name, look, out);
  }
  if (const auto* engine = std::get_if<EngineWithMaps>(&described); engine != nullptr && !engine->maps.empty()) {
    std::vector<BusMap> maps;
    for (const SignalMapFile& file : engine->maps) {
      maps.push_back({file.map, {}});
    }
    explain_ecu_side(engine->engine, maps, look, out);
  }
}

std::variant<std::vector<CanFrame>, ConfigError> read_frames(const std::vector<std::string>& texts) {
  std::vector<CanFrame> out;
  for (const std::string& text : texts) {
    const auto read = parse_can_frame(text);
    if (const auto* problem = std::get_if<CanTextProblem>(&read)) {
      return ConfigError{"frame \"" + printable(text) + "\": expected " + std::string(problem->expected) +
                         " at character " + std::to_string(problem->at + 1)};
    }
    out.push_back(std::get<CanFrame>(read));
  }
  return out;
}

}  // namespace

CheckLook terminal_look() {
  constexpr int usual_columns = 80;
  const int columns = columns_from_environment().value_or(columns_of_terminal().value_or(usual_columns));
  return {std::clamp(columns, check_width_min, check_width_max), locale_is_utf8()};
}

int check_command(const std::string& path, const std::vector<std::string>& frames, std::ostream& out,
                  std::ostream& err) {
  const auto read = read_frames(frames);
  const auto* error = std::get_if<ConfigError>(&read);
  const Described described = error == nullptr ? load_described(path) : Described(*error);
  error = std::get_if<ConfigError>(&described);
  if (error != nullptr) {
    err << error->message << '\n';
    return 1;
  }
  if (!frames.empty() && maps_of(described).empty() && !std::holds_alternative<Dbc>(described)) {
    err << printable_name(path) << ": can: expected a signal map ([[can]] map = \"FILE\") for --frame, found none\n";
    return 1;
  }
  const CheckLook look = terminal_look();
  if (frames.empty()) {
    explain_described(described, path, look, out);
  }
  for (const CanFrame& frame : std::get<std::vector<CanFrame>>(read)) {
    if (const auto* dbc = std::get_if<Dbc>(&described)) {
      explain_frame(*dbc, frame, look, out);
    }
    for (const SignalMapFile& file : maps_of(described)) {
      explain_frame(file.map, frame, look, out);
    }
  }
  return 0;
}

}  // namespace cw
