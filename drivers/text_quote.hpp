// Input shown in an error line: in quotes, cut short, nothing in it that could upset a terminal.
#pragma once

#include <string>
#include <string_view>

namespace cw {

// `text` in double quotes; bytes outside printable ASCII as \xNN; after 40 bytes cut with "...".
std::string quoted(std::string_view text);

}  // namespace cw
