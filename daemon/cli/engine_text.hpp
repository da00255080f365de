// An engine file as read: the engine, and the text that goes into the session.
#pragma once

#include <string>
#include <variant>

#include "geometry/engine.hpp"

namespace cw {

struct EngineText {
  Engine engine;
  std::string name;
  std::string text;
};

// Reads and checks the file; an error line when it is no sound engine file.
std::variant<EngineText, std::string> read_engine_text(const std::string& path);

// The same from text at hand; `name` is kept, `shown_name` is what error lines call it.
std::variant<EngineText, std::string> make_engine_text(const std::string& name, const std::string& text,
                                                       const std::string& shown_name);

}  // namespace cw
