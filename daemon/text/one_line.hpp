// Text that others wrote, fit for an error line.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace cw {

// Whether a control character of ASCII or of UTF-8 (U+0080 to U+009F, which some terminals obey) begins at `at`.
bool is_control(std::string_view text, std::size_t at);

// `text` with control characters escaped as \xNN: it stays on one line and can't upset a terminal.
std::string one_line(std::string_view text);

}  // namespace cw
