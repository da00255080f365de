// The scenario file: TOML text to Scenario. Keys: SCENARIO.md.
#pragma once

#include <string>
#include <string_view>
#include <variant>

#include "simulate/scenario.hpp"

namespace cw::sim {

// One line for a person: "FILE:LINE: KEY: what was expected, what was found".
struct ScenarioError {
  std::string message;
};

// `file_name` names the text in errors, and the engine's path is taken relative to its folder. Unknown keys are errors.
std::variant<Scenario, ScenarioError> parse_scenario(std::string_view text, std::string_view file_name);
std::variant<Scenario, ScenarioError> load_scenario(const std::string& path);

}  // namespace cw::sim
