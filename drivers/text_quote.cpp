#include "drivers/text_quote.hpp"

namespace cw {

std::string quoted(std::string_view text) {
  constexpr std::size_t shown_max = 40;
  constexpr std::string_view digits = "0123456789abcdef";
  std::string out = "\"";
  for (const char letter : text.substr(0, shown_max)) {
    const auto byte = static_cast<unsigned char>(letter);
    if (byte >= 0x20 && byte < 0x7F && letter != '"' && letter != '\\') {
      out += letter;
    } else {
      out += "\\x";
      out += digits[byte >> 4U];
      out += digits[byte & 0xFU];
    }
  }
  out += text.size() > shown_max ? "...\"" : "\"";
  return out;
}

}  // namespace cw
