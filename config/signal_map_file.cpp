#include "config/signal_map_file.hpp"

#include <toml++/toml.h>

#include <algorithm>
#include <array>
#include <filesystem>
#include <utility>

#include "config/dbc.hpp"
#include "config/file_shape.hpp"
#include "config/sections.hpp"
#include "config/signal_sections.hpp"
#include "config/text_file.hpp"

namespace cw {

namespace {

constexpr std::array<std::string_view, 6> root_keys = {"name", "note", "dbc", "byte_order", "message", "signal"};
constexpr std::size_t note_bytes_max = 1000;

std::string beside(const std::string& path, const std::string& file) {
  return (std::filesystem::path(path).parent_path() / file).string();
}

// The DBC that the map names, read; nothing without one. What is wrong with it is the map's error.
std::variant<std::optional<Dbc>, ConfigError> read_named_dbc(const TableReader& root, const ReadDbc& read_dbc,
                                                             SignalMapFile& file) {
  const auto path = root.text("dbc", path_bytes_max);
  if (!path) {
    return std::optional<Dbc>();
  }
  auto bytes = read_dbc(*path);
  if (auto* error = std::get_if<ConfigError>(&bytes)) {
    return std::move(*error);
  }
  file.dbc = NamedText{*path, std::move(std::get<std::string>(bytes))};
  auto dbc = parse_dbc(file.dbc->text, beside(file.source.name, *path));
  if (auto* error = std::get_if<ConfigError>(&dbc)) {
    return std::move(*error);
  }
  return std::optional(std::move(std::get<Dbc>(dbc)));
}

void read_messages(const TableReader& root, Complaints& complaints, SignalMap& map) {
  const std::optional<ByteOrder> order = read_byte_order(root);
  for (const TableReader& in : tables_of(root, "message", map_messages_max, complaints)) {
    map.messages.push_back(read_message_section(in, order, complaints));
  }
}

void read_bindings(const TableReader& root, const std::optional<Dbc>& dbc, Complaints& complaints, SignalMap& map) {
  for (const TableReader& in : tables_of(root, "signal", map_signals_max, complaints)) {
    if (!dbc) {
      return in.complain("dbc_signal", "dbc = \"FILE\" in the map, which the section [[signal]] speaks of", "none");
    }
    read_dbc_binding(in, *dbc, map);
  }
}

void check_counts(const TableReader& root, const SignalMap& map) {
  std::size_t signals = 0;
  for (const MessageDefinition& message : map.messages) {
    signals += message.signals.size();
  }
  if (!root.has("message") && !root.has("signal")) {
    root.complain("message", "sections [[message]], or dbc and sections [[signal]]");
  }
  if (signals > map_signals_max || map.messages.size() > map_messages_max) {
    root.complain(
        "message",
        "at most " + std::to_string(map_signals_max) + " signals in " + std::to_string(map_messages_max) + " messages",
        std::to_string(signals) + " in " + std::to_string(map.messages.size()));
  }
}

// The error of a signal that `map` gives and that `engine` or an earlier map contradicts; empty when there is none.
std::string contradiction(const Engine& engine, const SignalMap& map, const std::vector<SignalMapFile>& earlier) {
  for (const MessageDefinition& message : map.messages) {
    for (const SignalDefinition& signal : message.signals) {
      const std::string name(to_string(signal.name));
      const bool known =
          signal.cam.empty() || std::ranges::find(engine.cams, signal.cam, &CamPattern::name) != engine.cams.end();
      if (!known) {
        return "expected a cam of this engine for " + name + ", found \"" + printable(signal.cam) + '"';
      }
      for (const SignalMapFile& other : earlier) {
        for (const MessageDefinition& theirs : other.map.messages) {
          const bool again = std::ranges::any_of(theirs.signals, [&](const SignalDefinition& candidate) {
            return candidate.name == signal.name && candidate.cam == signal.cam;
          });
          if (again) {
            return "expected each signal from one map, found " + name + " also in " + printable(other.source.name);
          }
        }
      }
    }
  }
  return {};
}

bool gives(const std::vector<SignalMapFile>& maps, std::string_view name) {
  for (const SignalMapFile& file : maps) {
    for (const MessageDefinition& message : file.map.messages) {
      if (std::ranges::any_of(message.signals, [&](const auto& signal) { return to_string(signal.name) == name; })) {
        return true;
      }
    }
  }
  return false;
}

}  // namespace

std::variant<SignalMapFile, ConfigError> parse_signal_map(std::string_view text, std::string_view file_name,
                                                          const ReadDbc& read_dbc) {
  Complaints complaints(file_name);
  SignalMapFile file;
  file.source = {std::string(file_name), std::string(text)};
  const std::optional<toml::table> table = parse_toml(text, complaints);
  if (!table) {
    return ConfigError{complaints.first()};
  }
  const TableReader root(*table, "", complaints);
  check_known_keys(root, *table, root_keys);
  file.map.name = root.text("name", signal_name_bytes_max).value_or("");
  root.text("note", note_bytes_max);
  if (complaints.empty()) {
    auto dbc = read_named_dbc(root, read_dbc, file);
    if (auto* error = std::get_if<ConfigError>(&dbc)) {
      return std::move(*error);
    }
    read_messages(root, complaints, file.map);
    read_bindings(root, std::get<std::optional<Dbc>>(dbc), complaints, file.map);
    check_counts(root, file.map);
  }
  if (!complaints.empty()) {
    return ConfigError{complaints.first()};
  }
  return file;
}

std::variant<SignalMapFile, ConfigError> parse_signal_map(std::string_view text, const std::string& path) {
  return parse_signal_map(
      text, path, [&](const std::string& dbc) { return read_text_file(beside(path, dbc), "DBC file", dbc_bytes_max); });
}

std::variant<SignalMapFile, ConfigError> load_signal_map(const std::string& path) {
  const auto text = read_text_file(path, "signal map", engine_file_bytes_max);
  if (const auto* error = std::get_if<ConfigError>(&text)) {
    return *error;
  }
  return parse_signal_map(std::get<std::string>(text), path);
}

bool looks_like_signal_map(std::string_view text) {
  Complaints ignored("");
  const std::optional<toml::table> table = parse_toml(text, ignored);
  if (!table || table->contains("engine")) {
    return false;
  }
  return table->contains("message") || table->contains("signal") || table->contains("dbc");
}

std::variant<std::vector<SignalMapFile>, ConfigError> load_signal_maps(const Engine& engine,
                                                                       const std::string& engine_path) {
  std::vector<SignalMapFile> out;
  for (const CanSpec& spec : engine.can) {
    auto file = load_signal_map(beside(engine_path, spec.map));
    if (auto* error = std::get_if<ConfigError>(&file)) {
      return std::move(*error);
    }
    const std::string problem = contradiction(engine, std::get<SignalMapFile>(file).map, out);
    if (!problem.empty()) {
      return ConfigError{printable_name(engine_path) + ": can: " + printable(spec.map) + ": " + problem};
    }
    out.push_back(std::move(std::get<SignalMapFile>(file)));
  }
  const std::string& advance = engine.reference ? engine.reference->advance_from : std::string();
  if (!out.empty() && !advance.empty() && !gives(out, advance)) {
    return ConfigError{printable_name(engine_path) + ": reference.advance_from: expected a signal that a map of this " +
                       "file gives, found \"" + printable(advance) + '"'};
  }
  return out;
}

}  // namespace cw
