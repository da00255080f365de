#pragma once

#include <set>
#include <sstream>
#include <string>
#include <vector>

namespace cw::test {

// The lines of `text` without their ends; the last may lack its own.
inline std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) {
    lines.push_back(line);
  }
  return lines;
}

// Each different one of them once.
inline std::set<std::string> line_set(const std::string& text) {
  const std::vector<std::string> lines = lines_of(text);
  return {lines.begin(), lines.end()};
}

}  // namespace cw::test
