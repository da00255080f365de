// The keys that an engine file may hold, and what to say about any other.
#pragma once

#include <toml++/toml.h>

#include <span>
#include <string>
#include <string_view>

#include "config/table_reader.hpp"

namespace cw {

struct EngineKey {
  std::string_view section;  // "engine", "crank", "cam", "reference", "source", "can", "limits", "record"
  std::string_view key;
};

// Every key of the engine file.
std::span<const EngineKey> engine_keys();

// The known key that looks most like `key`, as written in `section`: "teeth", or "crank.teeth" when it belongs to
// another section.
std::string nearest_engine_key(std::string_view section, std::string_view key);

// Files a complaint about the first section or key that is not known, and about a section of the wrong form
// ([cam] for [[cam]]).
void check_engine_keys(const toml::table& root, Complaints& complaints);

}  // namespace cw
