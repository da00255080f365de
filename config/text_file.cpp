#include "config/text_file.hpp"

#include <algorithm>
#include <cerrno>
#include <filesystem>
#include <fstream>
#include <system_error>

#include "config/file_shape.hpp"

namespace cw {

std::variant<std::string, ConfigError> read_text_file(const std::string& path, const std::string& what,
                                                      std::size_t bytes_max) {
  const std::string name = printable_name(path);
  std::error_code ignored;
  if (std::filesystem::is_directory(path, ignored)) {
    const bool vowel = std::string_view("aeio").find(what.front()) != std::string_view::npos;
    return ConfigError{name + ": expected " + (vowel ? "an " : "a ") + what + ", found a folder"};
  }
  errno = 0;
  std::ifstream file(path, std::ios::binary);
  if (!file) {
    const std::string why = errno == 0 ? "it can't be opened" : std::generic_category().message(errno);
    return ConfigError{name + ": expected a readable " + what + ", found: " + why};
  }
  std::string text(bytes_max + 1, '\0');
  file.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (file.bad()) {
    return ConfigError{name + ": expected a readable " + what + ", found a read error"};
  }
  text.resize(static_cast<std::size_t>(file.gcount()));
  return text;
}

// The only place where an exception of toml++ is met.
std::optional<toml::table> parse_toml(std::string_view text, Complaints& complaints) {
  check_file_shape(text, complaints);
  if (!complaints.empty()) {
    return std::nullopt;
  }
  try {
    return toml::parse(text);
  } catch (const toml::parse_error& error) {
    const toml::source_position at = error.source().begin;
    complaints.add(std::max(static_cast<int>(at.line), 1), "syntax", "TOML",
                   "an error at column " + std::to_string(at.column) + ": " + std::string(error.description()));
    return std::nullopt;
  }
}

}  // namespace cw
