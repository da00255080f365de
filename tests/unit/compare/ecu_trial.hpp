// What a witness and an ECU say over time, for the tests of their comparison. Times in ms.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string_view>
#include <vector>

#include "compare/ecu_values.hpp"
#include "compare/witness_past.hpp"
#include "geometry/engine.hpp"
#include "items/observation.hpp"

namespace cw::test {

inline constexpr std::int64_t ms = 1'000'000;

inline EcuValue said(std::int64_t at_ms, double value) {
  EcuValue out;
  out.value = value;
  out.host_ns = at_ms * ms;
  return out;
}
inline EcuValue said_state(std::int64_t at_ms, LockState state) {
  EcuValue out = said(at_ms, 0);
  out.state = state;
  return out;
}
inline EcuValue said_count(std::int64_t at_ms, std::uint64_t count, std::uint32_t bits = 8) {
  EcuValue out = said(at_ms, static_cast<double>(count));
  out.bits = count;
  out.length = bits;
  return out;
}

inline WitnessSample witness(std::int64_t at_ms, LockState state, std::optional<double> rpm, bool heard = true) {
  return {at_ms * ms, state, rpm, heard};
}

inline Finding seen(FindingKind kind, bool strict_lost = false) {
  Finding finding;
  finding.kind = kind;
  if (strict_lost) {
    finding.values.emplace_back("strict_counter_lost", 1.0);
  }
  return finding;
}

inline std::optional<double> value_of(const Finding& finding, std::string_view name) {
  for (const auto& [known, value] : finding.values) {
    if (known == name) {
      return value;
    }
  }
  return std::nullopt;
}

}  // namespace cw::test
