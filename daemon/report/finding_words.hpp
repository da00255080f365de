// Findings and figures in plain words, alike on the terminal, in the journal and in the report.
#pragma once

#include <cstdint>
#include <string>

#include "items/observation.hpp"
#include "record/session_totals.hpp"

namespace cw {

// With so many digits behind the point; "?" when it is not finite.
std::string fixed(double value, int decimals);
std::string signed_fixed(double value, int decimals);                                        // with its sign: "+3.20"
std::string count_of(std::uint64_t count, const std::string& one, const std::string& many);  // "1 fault", "3 faults"

std::string attribution_words(Attribution attribution);  // "sensor or wiring"; empty for none
std::string kind_words(FindingKind kind);                // "missed-edge" -> "Missed edge"
// Where on the engine: "crank, tooth 23, 90.0 deg after TDC1, 4179 rpm, cycle 340".
std::string place_in_words(const Finding& finding);
std::string values_in_words(const Finding& finding);  // "step 17.14 deg, before 0.01 deg"
std::string phase_in_words(const Finding& finding);   // ", begins" | ", over" | empty
std::string as_a_sentence(std::string text);          // capital first, full stop last
std::string mean_in_words(const RunningMean& mean);

// What must be said first because of what was seen; empty when nothing.
std::string caution(const SessionTotals& totals);

}  // namespace cw
