// Text files, and TOML in them, with one-line errors.
#pragma once

#include <toml++/toml.h>

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "config/config_error.hpp"
#include "config/table_reader.hpp"

namespace cw {

// The whole file, and no more than one byte beyond `bytes_max`, which is enough to see that it is too large. `what` it
// is expected to be stands in errors: "engine file".
std::variant<std::string, ConfigError> read_text_file(const std::string& path, const std::string& what,
                                                      std::size_t bytes_max);

// TOML text as a table; what is no TOML, or not fit to be parsed (check_file_shape), becomes a complaint with its line.
std::optional<toml::table> parse_toml(std::string_view text, Complaints& complaints);

}  // namespace cw
