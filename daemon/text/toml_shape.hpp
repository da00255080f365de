// Limits on the raw text of a TOML file, looked at before it is parsed.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>

namespace cw {

// For an error line: where, and what was expected and found there.
struct ShapeProblem {
  int line = 1;
  std::string key;
  std::string expected;
  std::string found;
};

// What is wrong with text that is larger than `bytes_max`, holds a NUL byte, or chains so many dotted keys that the
// tables they make would nest too deep: toml++ bounds the nesting of values but not of a.b.c keys, and frees nested
// tables by recursion.
std::optional<ShapeProblem> toml_shape_problem(std::string_view text, std::size_t bytes_max);

}  // namespace cw
