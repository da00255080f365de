// The text notation of one CAN frame that can-utils write and read (candump -L, cansend): 123#11223344.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <variant>

#include "items/can_frame.hpp"

namespace cw {

// Why a text is no frame: where (bytes from its start, at most its size) and what was expected there.
struct CanTextProblem {
  std::size_t at = 0;
  std::string_view expected;

  friend bool operator==(const CanTextProblem&, const CanTextProblem&) = default;
};

// Reads one frame, the whole text and nothing else; letters of either case. Source: manual page and usage text of
// cansend and candump, can-utils 2020.11.
//   ID#DATA     classical: ID is 3 (11-bit) or 8 (29-bit) hex digits, DATA 0 to 8 bytes of two hex digits, a dot
//               allowed between two; after 8 bytes _ and the raw length code (9 to F), which is not kept
//   ID#R  ID#RN remote request, of N (0 to 8) bytes; a raw length code may follow R8
//   ID##FDATA   CAN FD: F is one hex digit of flags (1 bit rate switch, 2 error state indicator; others are not kept),
//               DATA 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes
//   an 8-digit ID with bit 29 set (20000000) is an error frame, the other bits its error classes (linux/can/error.h)
std::variant<CanFrame, CanTextProblem> parse_can_frame(std::string_view text);

// The frame as candump -L writes it. What parse_can_frame keeps comes back from it unchanged; stamps are not written.
std::string can_frame_text(const CanFrame& frame);

}  // namespace cw
