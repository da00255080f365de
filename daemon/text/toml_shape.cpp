#include "text/toml_shape.hpp"

namespace cw {

namespace {

// The longest honest chain is cam.channel and the like; 8 leaves room for a decimal number in every part.
constexpr int dots_in_chain_max = 8;

// The end of the quoted text that begins at `at`: after its closing quote, or at the end of the line or the text when
// it is not closed (the parser says so in a moment).
std::size_t skip_quoted(std::string_view text, std::size_t at) {
  const char quote = text[at];
  const std::string triple(3, quote);
  const bool is_long = text.substr(at, 3) == triple;
  std::size_t i = at + (is_long ? 3 : 1);
  while (i < text.size()) {
    if (is_long && text.substr(i, 3) == triple) {
      return i + 3;
    }
    if (!is_long && (text[i] == quote || text[i] == '\n')) {
      return i + 1;
    }
    i += quote == '"' && text[i] == '\\' ? 2 : 1;
  }
  return text.size();
}

bool ends_chain(char c) {
  return c == ',' || c == '=' || c == '[' || c == ']' || c == '{' || c == '}' || c == '\n' || c == '#';
}

// Line (from 1) on which a dotted chain gets too long; 0 when none does.
int overlong_chain_line(std::string_view text) {
  int line = 1;
  int dots = 0;
  std::size_t i = 0;
  while (i < text.size()) {
    const char c = text[i];
    std::size_t next = i + 1;
    if (c == '"' || c == '\'') {
      next = skip_quoted(text, i);
    } else if (c == '#') {
      next = text.find('\n', i);
      next = next == std::string_view::npos ? text.size() : next;
    }
    dots = ends_chain(c) ? 0 : dots + (c == '.' ? 1 : 0);
    if (dots > dots_in_chain_max) {
      return line;
    }
    for (; i < next && i < text.size(); ++i) {
      line += text[i] == '\n' ? 1 : 0;
    }
  }
  return 0;
}

int line_at(std::string_view text, std::size_t end) {
  int line = 1;
  for (const char c : text.substr(0, end)) {
    line += c == '\n' ? 1 : 0;
  }
  return line;
}

}  // namespace

std::optional<ShapeProblem> toml_shape_problem(std::string_view text, std::size_t bytes_max) {
  if (text.size() > bytes_max) {
    return ShapeProblem{1, "file", "at most " + std::to_string(bytes_max) + " bytes", "more"};
  }
  if (const std::size_t nul = text.find('\0'); nul != std::string_view::npos) {
    return ShapeProblem{line_at(text, nul), "file", "TOML text", "a NUL byte (is this a binary file?)"};
  }
  if (const int line = overlong_chain_line(text); line != 0) {
    return ShapeProblem{line, "file", "keys of at most " + std::to_string(dots_in_chain_max + 1) + " dotted parts",
                        "more"};
  }
  return std::nullopt;
}

}  // namespace cw
