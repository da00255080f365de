// The bits of a message drawn byte by byte.
#pragma once

#include <string>
#include <vector>

#include "signals/bit_field.hpp"

namespace cw {

// The letter by which the drawing and the words below it name the n-th signal: A to Z, then AA, AB ...
std::string field_letter(std::size_t index);

struct DrawnField {
  std::string letter;
  BitField field;
};

// Rows of bits 7 to 0, one a byte, from byte 0 to the last that a field reaches: in each cell the letter of its field,
// "." where there is none and "*" where there are several; [A] marks the most significant bit of A. Lines ended by
// newlines; each begins with `indent` spaces.
std::string draw_fields(const std::vector<DrawnField>& fields, std::size_t indent);

}  // namespace cw
