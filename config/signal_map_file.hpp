// Signal maps: what an ECU broadcasts on a bus, as TOML, or as TOML that names signals of a DBC file.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "config/config_error.hpp"
#include "geometry/engine.hpp"
#include "signals/signal_map.hpp"

namespace cw {

// A file that a map was made from: its path, and its bytes.
struct NamedText {
  std::string name;
  std::string text;
};

struct SignalMapFile {
  SignalMap map;
  NamedText source;              // the TOML
  std::optional<NamedText> dbc;  // and the DBC that it names
};

// Gives the bytes of a DBC file that a map names; the path is as the map has it.
using ReadDbc = std::function<std::variant<std::string, ConfigError>(const std::string& path)>;

// Reads a map; `file_name` names it in errors. Unknown keys, missing keys, values out of range, bits that lie outside of
// a frame and descriptions that contradict each other are errors of one line: file, line, key, what was expected.
//
//   name, note               what it is and where it is from
//   dbc                      path of a DBC file, from the folder of the map
//   byte_order               "little" | "big"; of all that do not say otherwise
//   [[message]]              name; id (mask, extended) or pgn (source_address); byte_order;
//                            multiplexer = { start_bit, length, byte_order }
//   [[message.signal]]       name, cam, start_bit, length, byte_order, type, scale, offset, unit, valid, values, when
//   [[signal]]               name, cam, dbc_signal, dbc_message, scale, offset, unit, valid, values
//
// config/can/slate.toml and marl.toml explain each key.
std::variant<SignalMapFile, ConfigError> parse_signal_map(std::string_view text, std::string_view file_name,
                                                          const ReadDbc& read_dbc);

// The same with a DBC from the folder of `path`, where the text is from; and all of it from files.
std::variant<SignalMapFile, ConfigError> parse_signal_map(std::string_view text, const std::string& path);
std::variant<SignalMapFile, ConfigError> load_signal_map(const std::string& path);

// Whether the text of a file is meant as a signal map: it has a [[message]], a [[signal]] or a dbc, and no [engine].
bool looks_like_signal_map(std::string_view text);

// The maps that an engine file names ([[can]]), in its order, read from files. Two maps that give the same signal, a map
// of a cam that the engine file has not, and a map without the signal that [reference] advance_from names are errors too.
std::variant<std::vector<SignalMapFile>, ConfigError> load_signal_maps(const Engine& engine,
                                                                       const std::string& engine_path);

}  // namespace cw
