#include "cli/check.hpp"

#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cstdlib>
#include <iostream>
#include <optional>

#include "config/engine_file.hpp"

namespace cw {

namespace {

std::string environment(const char* name) {
  const char* value = std::getenv(name);
  return value == nullptr ? "" : value;
}

std::optional<int> columns_from_environment() {
  const std::string text = environment("COLUMNS");
  int columns = 0;
  const auto result = std::from_chars(text.data(), text.data() + text.size(), columns);
  return result.ec == std::errc() && columns > 0 ? std::optional<int>(columns) : std::nullopt;
}

std::optional<int> columns_of_terminal() {
  winsize size{};
  if (::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) != 0 || size.ws_col == 0) {
    return std::nullopt;
  }
  return size.ws_col;
}

bool locale_is_utf8() {
  for (const char* name : {"LC_ALL", "LC_CTYPE", "LANG"}) {
    std::string value = environment(name);
    if (value.empty()) {
      continue;
    }
    std::transform(value.begin(), value.end(), value.begin(), [](unsigned char c) { return std::tolower(c); });
    return value.find("utf-8") != std::string::npos || value.find("utf8") != std::string::npos;
  }
  return false;
}

}  // namespace

CheckLook terminal_look() {
  constexpr int usual_columns = 80;
  const int columns = columns_from_environment().value_or(columns_of_terminal().value_or(usual_columns));
  return {std::clamp(columns, check_width_min, check_width_max), locale_is_utf8()};
}

int check_command(const std::string& path, std::ostream& out, std::ostream& err) {
  const std::variant<Engine, ConfigError> loaded = load_engine(path);
  if (const auto* error = std::get_if<ConfigError>(&loaded)) {
    err << error->message << '\n';
    return 1;
  }
  explain_engine(std::get<Engine>(loaded), path, terminal_look(), out);
  return 0;
}

}  // namespace cw
