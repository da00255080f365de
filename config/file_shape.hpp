// Limits on the raw text of a TOML file, looked at before it is parsed.
#pragma once

#include <cstddef>
#include <string_view>

#include "config/table_reader.hpp"

namespace cw {

inline constexpr std::size_t engine_file_bytes_max = 1 << 20;

// Files a complaint when the text is larger than engine_file_bytes_max, holds a NUL byte, or chains so many dotted keys
// that the tables they make would nest too deep: toml++ bounds the nesting of values but not of a.b.c keys, and frees
// nested tables by recursion.
void check_file_shape(std::string_view text, Complaints& complaints);

}  // namespace cw
