#include "cli/engine_text.hpp"

#include <utility>

#include "config/engine_file.hpp"
#include "record/disk_file.hpp"

namespace cw {

std::variant<EngineText, std::string> make_engine_text(const std::string& name, const std::string& text,
                                                       const std::string& shown_name) {
  auto engine = parse_engine(text, shown_name);
  if (auto* error = std::get_if<ConfigError>(&engine)) {
    return std::move(error->message);
  }
  return EngineText{std::move(std::get<Engine>(engine)), name, text};
}

std::variant<EngineText, std::string> read_engine_text(const std::string& path) {
  constexpr std::uint64_t size_max = 16ULL * 1024 * 1024;
  std::string text;
  if (Problem problem = read_file(path, size_max, text)) {
    return *problem;
  }
  return make_engine_text(path, text, path);
}

}  // namespace cw
