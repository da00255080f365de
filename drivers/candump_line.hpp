// One line of a CAN log (candump_log.hpp) to a frame, or to where it is wrong.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <variant>

#include "items/can_frame.hpp"

namespace cw {

struct CandumpLine {
  std::int64_t t_ns = 0;       // since 1970
  std::string_view interface;  // points into the line
  std::size_t interface_at = 0;
  CanFrame frame;  // sound
};

struct CandumpFault {
  std::size_t at = 0;  // bytes before it
  std::string_view expected;
};

// `line` is without its line end.
std::variant<CandumpLine, CandumpFault> parse_candump_line(std::string_view line);

// As such a log writes it, with all nine digits: 1436509052.249713000.
std::string candump_time(std::int64_t t_ns);

}  // namespace cw
