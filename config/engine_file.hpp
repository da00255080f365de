// The engine file: TOML text to cw::Engine, with one-line errors that name file, line, key and what was expected.
#pragma once

#include <string>
#include <string_view>
#include <variant>

#include "config/config_error.hpp"
#include "geometry/engine.hpp"

namespace cw {

// Reads an engine from TOML text; `file_name` only names it in errors. Unknown keys, missing keys, values out of range
// and descriptions that contradict each other are errors.
std::variant<Engine, ConfigError> parse_engine(std::string_view text, std::string_view file_name);

// The same from a file. A file that can't be read is an error too.
std::variant<Engine, ConfigError> load_engine(const std::string& path);

}  // namespace cw
