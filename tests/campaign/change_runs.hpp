// Hours of running, cycle by cycle: the deviation of the ECU's mark and the phases of the cams as sync/ reports them, with
// the noise, the wander and the warm-up that engines have, and a change that is known, or none. There are no edges here, so
// that hundreds of hours take seconds; how edges become these numbers is the campaign's matter.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "items/observation.hpp"

namespace cw::campaign {

enum class Changing : std::uint8_t { nothing, mark, one_cam, all_cams };

// What changes, by how much and when.
struct KnownChange {
  Changing what = Changing::nothing;
  double step_deg = 0;
  double drift_deg_per_min = 0;  // from `at_s` to the end
  double at_s = 0;
};

struct ChangeRun {
  std::uint64_t seed = 1;
  double duration_s = 3600;
  double warm_up_s = 900;  // of the limits; the engine drawn warms up with a time constant of 120 to 300 s
  KnownChange change;
};

struct ChangeOutcome {
  std::vector<Finding> findings;            // times in ns from the start of the run
  std::map<std::uint64_t, double> found_s;  // by id: when it was first told
  std::uint64_t cycles = 0;
  std::string drawn;  // the engine and its noise, in words
};

ChangeOutcome run_changes(const ChangeRun& run);

}  // namespace cw::campaign
