// Limits on the raw text of a TOML file, looked at before it is parsed.
#pragma once

#include <cstddef>
#include <string_view>

#include "config/table_reader.hpp"

namespace cw {

inline constexpr std::size_t engine_file_bytes_max = 1 << 20;

// Files a complaint when the text is larger than engine_file_bytes_max or not fit to be parsed (text/toml_shape.hpp).
void check_file_shape(std::string_view text, Complaints& complaints);

}  // namespace cw
