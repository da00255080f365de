// What holds for every driver, whatever bytes it gets (drivers/driver.hpp).
#pragma once

#include "drivers/driver.hpp"
#include "target.hpp"

namespace cw::fuzz {

struct DriverRules {
  std::string_view driver;                  // in the registry
  std::size_t items_a_byte_max = 1;         // a bound on what a byte of input may become
  std::int64_t silence_ns_max = INT64_MAX;  // from one edge to the next within an epoch
  std::int64_t back_ns_max = 0;             // of frames, below the latest one of the epoch
  bool time_goes_on = false;                // edge times never fall, in a new epoch neither
  bool may_rename = false;                  // a channel number may get another name, in a new epoch
  bool may_restart = false;                 // start() may be called again, for a new connection
  bool always_live = false;                 // there are no files of it
};

// Reads `bytes` whole and cut, live or as a file, as `choices` say, and holds the items against the rules:
// the same items, error and counts however it is cut; edges and frames of named channels only, and frames that can be;
// edge times never fall within an epoch; names as promised; no more items than the bytes can pay for; a sound file ends with end_of_input.
void try_driver(const DriverRules& rules, std::string_view bytes, Choices& choices);

}  // namespace cw::fuzz
