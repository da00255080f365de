// Holds what a replay said against what its expectation file wants.
#pragma once

#include <string>
#include <vector>

#include "expectation.hpp"
#include "outcome.hpp"

namespace cw::replay_logs {

// One line a difference; empty: as expected.
std::vector<std::string> differences(const Expectation& expectation, const Outcome& outcome);

// For the table: "missed-edge x3, sync-lost", or "nothing".
std::string expected_in_words(const Expectation& expectation);
std::string found_in_words(const Outcome& outcome);

}  // namespace cw::replay_logs
