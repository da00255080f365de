#include "report/html.hpp"

#include <cmath>
#include <cstddef>

#include "record/observation_text.hpp"

namespace cw {

namespace {

// Length of the UTF-8 sequence that begins at `at`, 0 when there is no whole and sound one (RFC 3629: no overlong forms,
// no surrogates, nothing above U+10FFFF).
std::size_t sequence_length(std::string_view text, std::size_t at) {
  const auto byte = [&](std::size_t i) { return i < text.size() ? static_cast<unsigned char>(text[i]) : 0U; };
  const unsigned first = byte(at);
  if (first < 0x80) {
    return 1;
  }
  const std::size_t length = first >= 0xC2 && first <= 0xDF   ? 2
                             : first >= 0xE0 && first <= 0xEF ? 3
                             : first >= 0xF0 && first <= 0xF4 ? 4
                                                              : 0;
  for (std::size_t i = 1; i < length; ++i) {
    if (byte(at + i) < 0x80 || byte(at + i) > 0xBF) {
      return 0;
    }
  }
  const unsigned second = byte(at + 1);
  const bool bad = (first == 0xE0 && second < 0xA0) || (first == 0xED && second > 0x9F) ||
                   (first == 0xF0 && second < 0x90) || (first == 0xF4 && second > 0x8F);
  return bad ? 0 : length;
}

// Of ASCII, or U+0080 to U+009F.
bool is_control_at(std::string_view text, std::size_t at, std::size_t length) {
  const auto first = static_cast<unsigned char>(text[at]);
  if (length == 2) {
    return first == 0xC2 && static_cast<unsigned char>(text[at + 1]) < 0xA0;
  }
  return length == 1 && ((first < 0x20 && first != '\n' && first != '\t') || first == 0x7F);
}

void append_control(std::string& out, std::string_view bytes) {
  static constexpr std::string_view digits = "0123456789abcdef";
  for (const char letter : bytes) {
    const auto byte = static_cast<unsigned char>(letter);
    out += "\\x";
    out += digits[byte >> 4U];
    out += digits[byte & 15U];
  }
}

void append_plain(std::string& out, char letter) {
  switch (letter) {
    case '&':
      out += "&amp;";
      break;
    case '<':
      out += "&lt;";
      break;
    case '>':
      out += "&gt;";
      break;
    case '"':
      out += "&quot;";
      break;
    case '\'':
      out += "&#39;";
      break;
    default:
      out += letter;
  }
}

}  // namespace

std::string escaped(std::string_view text) {
  std::string out;
  out.reserve(text.size() + text.size() / 8);
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t length = sequence_length(text, at);
    if (length == 0) {
      out += "\xEF\xBF\xBD";
    } else if (is_control_at(text, at, length)) {
      append_control(out, text.substr(at, length));
    } else if (length == 1) {
      append_plain(out, text[at]);
    } else {
      out += text.substr(at, length);
    }
    at += length == 0 ? 1 : length;
  }
  return out;
}

std::string coordinate(double value) {
  std::string out;
  if (!std::isfinite(value) || !append_fixed(out, value, 1)) {
    return "0";
  }
  while (out.back() == '0') {
    out.pop_back();
  }
  if (out.back() == '.') {
    out.pop_back();
  }
  return out == "-0" || out.empty() ? "0" : out;
}

std::string table_row(const std::vector<std::string>& cells, bool header) {
  std::string out = "<tr>";
  for (const std::string& cell : cells) {
    out += header ? "<th scope=\"col\">" + cell + "</th>" : "<td>" + cell + "</td>";
  }
  return out + "</tr>\n";
}

std::string value_row(std::string_view name, std::string_view value) {
  return "<tr><th scope=\"row\">" + escaped(name) + "</th><td>" + escaped(value) + "</td></tr>\n";
}

}  // namespace cw
