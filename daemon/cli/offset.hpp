// `crankwitness offset`: by what angle and what delay the ECU's mark is wrong, and the number to type in.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "cli/exit_code.hpp"
#include "cli/replay.hpp"
#include "compare/light_fit.hpp"
#include "compare/offset_entry.hpp"
#include "geometry/engine.hpp"

namespace cw {

// As the engine file spells them.
const std::map<std::string, OffsetBasis>& offset_basis_names();

struct OffsetOptions {
  ReplayOptions input;  // a session, or files with an engine file; none for readings of a timing light
  std::vector<double> seen_deg;
  std::vector<double> commanded_deg;  // one for all, or one for each
  std::vector<double> rpm;            // none, or one for each
  double light_within_deg = 1;
  OffsetBasis basis = OffsetBasis::unverified;  // of the mark that the light showed
  bool two_stroke = false;                      // of an ECU whose entry goes to 360; with the light only
  std::optional<double> entry_deg;              // what stands in the ECU now
  std::optional<Raising> raising;
  std::optional<double> delay_entry_us;
  bool json = false;
};

// What there is to say, from a session or from a timing light.
struct OffsetResult {
  bool from_light = false;
  OffsetFit fit;
  std::vector<Hold> holds;             // of a session
  std::vector<LightReading> readings;  // of a light
  double light_within_deg = 1;
  OffsetBasis basis = OffsetBasis::unverified;
  std::string engine_name;
  double cycle_deg = 720;
  bool cycle_known = false;  // whether the mark can tell the two turns of a cycle apart
  std::optional<CountingError> counting;
  std::uint64_t cycles = 0;  // of a session, that had a mark
};

struct OffsetEntry {
  double now_deg = 0;
  Raising raising = Raising::retards;
  Estimate new_deg;                   // half width as that of what was measured
  std::optional<double> only_at_rpm;  // right at this speed only: angle and delay are not told apart
};
// The entries to type in; nothing without a present entry, a direction, a physical basis or an angle that is known.
std::optional<OffsetEntry> entry_of(const OffsetOptions& options, const OffsetResult& result);
// The delay compensation to type in, where a greater one brings the spark earlier. Nothing unless a delay was told.
std::optional<Estimate> delay_entry_of(const OffsetOptions& options, const OffsetResult& result);

std::string offset_in_words(const OffsetOptions& options, const OffsetResult& result);
std::string offset_json(const OffsetOptions& options, const OffsetResult& result);

// What the after-entry checks and the cautions of DESIGN 1 say, each a line.
const std::vector<std::string>& checks_after_entry();
const std::vector<std::string>& offset_cautions();

ExitCode offset(const OffsetOptions& options);

}  // namespace cw
