// Many hours of an engine that starts, runs and stops, with faults, through the real program: memory stays flat.
#pragma once

#include <cstdint>
#include <string>

namespace cw::load {

enum class SoakBy : std::uint8_t {
  replay,  // a recorded edge stream, replayed to a session: host time is the engine's time
  run,     // a device at a FIFO and `run` with the black box, faster than real time: host time is this computer's
};

struct Soak {
  SoakBy by = SoakBy::replay;
  double hours = 24;           // of engine time
  double edges_per_s = 1.5e6;  // run: fed so fast at most
  std::string folder;          // of what is recorded; empty: the temporary folder, for run one in memory
};

// Prints memory over engine time. Whether it stayed flat and everything was analysed.
bool run_soak(const Soak& soak);

}  // namespace cw::load
