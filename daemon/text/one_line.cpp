#include "text/one_line.hpp"

namespace cw {

bool is_control(std::string_view text, std::size_t at) {
  const auto byte = static_cast<unsigned char>(text[at]);
  if (byte < 0x20 || byte == 0x7f) {
    return true;
  }
  // C1 control characters (U+0080 to U+009F) are C2 80 to C2 9F in UTF-8; some terminals obey them.
  return byte == 0xc2 && at + 1 < text.size() && static_cast<unsigned char>(text[at + 1]) < 0xa0;
}

std::string one_line(std::string_view text) {
  static constexpr std::string_view hex = "0123456789abcdef";
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (is_control(text, i)) {
      const auto byte = static_cast<unsigned char>(text[i]);
      out += "\\x";
      out += hex[byte >> 4];
      out += hex[byte & 0x0f];
    } else {
      out += text[i];
    }
  }
  return out;
}

}  // namespace cw
