#include "cli/field_drawing.hpp"

#include <algorithm>

namespace cw {

namespace {

constexpr std::size_t letters = 26;
constexpr std::uint32_t byte_bits = 8;

// The cell of one bit, without the space between cells.
std::string cell(const std::vector<DrawnField>& fields, std::uint32_t bit, std::size_t width) {
  std::string inside = ".";
  bool most_significant = false;
  for (const DrawnField& drawn : fields) {
    for (std::uint32_t rank = 0; rank < drawn.field.length; ++rank) {
      if (bit_number(drawn.field, rank) == bit) {
        most_significant = rank + 1 == drawn.field.length;
        inside = inside == "." ? drawn.letter : "*";
      }
    }
  }
  inside.insert(0, width - std::min(width, inside.size()), ' ');
  return most_significant && inside.back() != '*' ? "[" + inside + "]" : " " + inside + " ";
}

void end_line(std::string& out) {
  out.erase(out.find_last_not_of(' ') + 1);
  out += '\n';
}

}  // namespace

std::string field_letter(std::size_t index) {
  std::string out;
  if (index >= letters) {
    out = field_letter(index / letters - 1);
  }
  return out + static_cast<char>('A' + index % letters);
}

std::string draw_fields(const std::vector<DrawnField>& fields, std::size_t indent) {
  std::size_t bytes = 0;
  std::size_t width = 1;
  for (const DrawnField& drawn : fields) {
    bytes = std::max(bytes, bytes_needed(drawn.field));
    width = std::max(width, drawn.letter.size());
  }
  const std::string margin(indent, ' ');
  std::string out = margin + "bit    ";
  for (std::uint32_t bit = byte_bits; bit-- > 0;) {
    out += ' ' + std::string(width - 1, ' ') + std::to_string(bit) + ' ';
  }
  end_line(out);
  for (std::uint32_t byte = 0; byte < bytes; ++byte) {
    const std::string number = std::to_string(byte);
    out.append(margin).append("byte ").append(number).append(2 - std::min<std::size_t>(2, number.size()), ' ');
    for (std::uint32_t bit = byte_bits; bit-- > 0;) {
      out += cell(fields, byte * byte_bits + bit, width);
    }
    end_line(out);
  }
  return out;
}

}  // namespace cw
