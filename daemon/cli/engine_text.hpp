// An engine file as read, with the signal maps that it names: the engine, and the texts that go into the session.
#pragma once

#include <string>
#include <variant>
#include <vector>

#include "geometry/engine.hpp"
#include "record/session_info.hpp"
#include "signals/bus_map.hpp"

namespace cw {

struct EngineText {
  Engine engine;
  std::string name;
  std::string text;
  std::vector<BusMap> maps;        // of [[can]], in its order
  std::vector<MapText> map_texts;  // ... what they were made from
  std::string baseline_text;       // of the file that it names, which is in engine.baseline; empty: it names none
};

// Reads and checks the file, its maps and its baseline; an error line when one of them is not sound.
std::variant<EngineText, std::string> read_engine_text(const std::string& path);

// Those of a session, its baseline too; `input` is what error lines call it.
std::variant<EngineText, std::string> engine_text_of(const SessionInfo& session, const std::string& input);

}  // namespace cw
