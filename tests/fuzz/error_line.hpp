// What every refused file must get.
#pragma once

#include <algorithm>
#include <string>

#include "target.hpp"

namespace cw::fuzz {

// One line, not too long, that begins with the name of the file, "F".
inline void expect_error_line(const std::string& line) {
  constexpr std::size_t line_max = 2000;
  expect(line.starts_with("F:"), "an error that begins with the name of the file");
  expect(line.size() <= line_max, "an error that is not too long");
  expect(std::none_of(line.begin(), line.end(), [](char byte) { return static_cast<unsigned char>(byte) < ' '; }),
         "an error of one line");
}

}  // namespace cw::fuzz
