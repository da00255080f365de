#include "cli/source_place.hpp"

#include <algorithm>
#include <filesystem>
#include <system_error>

namespace cw {

bool lies_in(const std::string& inner, const std::string& outer) {
  std::error_code error;
  const auto inner_path = std::filesystem::weakly_canonical(inner, error);
  const auto outer_path = std::filesystem::weakly_canonical(outer, error);
  const auto [in, out] = std::mismatch(inner_path.begin(), inner_path.end(), outer_path.begin(), outer_path.end());
  return out == outer_path.end();
}

bool would_write_into(const std::string& target, const std::string& input) {
  if (lies_in(target, input)) {
    return true;
  }
  std::error_code error;
  auto above = std::filesystem::weakly_canonical(input, error);
  constexpr int levels = 2;  // a segment lies in capture/, which lies in the session
  for (int level = 0; level < levels; ++level) {
    const bool in_capture = above.filename() == "capture";
    above = above.parent_path();
    if (in_capture && lies_in(target, above.string())) {
      return true;
    }
  }
  return false;
}

}  // namespace cw
