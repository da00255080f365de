#include "cli/words.hpp"

#include <algorithm>

namespace cw {

void append_wrapped(std::string& out, const std::string& first, const std::string& indent, const std::string& text) {
  std::string line = first;
  std::size_t at = 0;
  bool any = false;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find(' ', at), text.size());
    const std::string word = text.substr(at, end - at);
    if (any && line.size() + 1 + word.size() > text_width) {
      out += line + "\n";
      line = indent;
      any = false;
    }
    line += (any ? " " : "") + word;
    any = true;
    at = end + 1;
  }
  out += line + "\n";
}

void append_labelled(std::string& out, std::string label, const std::string& text) {
  constexpr std::size_t label_width = 16;
  label = "  " + label;
  label.resize(std::max(label_width, label.size() + 1), ' ');
  if (!text.empty()) {
    append_wrapped(out, label, std::string(label.size(), ' '), text);
  }
}

}  // namespace cw
