// The file of a baseline (geometry/baseline.hpp): TOML, written by `crankwitness baseline --save`, read by those that
// compare with it.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <variant>

#include "config/config_error.hpp"
#include "geometry/baseline.hpp"

namespace cw {

inline constexpr std::size_t baseline_file_bytes_max = std::size_t{1024} * 1024;

std::string baseline_text(const Baseline& baseline);

// The other way; an error line that begins with `file_name` when the text is not what baseline_text() writes.
std::variant<Baseline, ConfigError> parse_baseline(std::string_view text, std::string_view file_name);

}  // namespace cw
