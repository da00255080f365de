// The real program under a live load: how much processor and memory it takes, how late it tells, and that each edge is
// either recorded or counted.
#pragma once

#include <cstdint>
#include <string>

namespace cw::load {

enum class LineKind : std::uint8_t { pty, tcp, fifo };

struct LiveLoad {
  LineKind line = LineKind::pty;
  double seconds = 60;              // of real time, after the first lock
  double rpm = 9000;                // of a 60-2 wheel with four cam edges and a reference pulse a cycle
  double faults_per_s = 6;          // a missed tooth and an extra edge in turn
  double times = 1;                 // so many times faster than real time comes what the engine does
  double stopped_s = 0;             // so long the program is stopped (SIGSTOP) in the middle of the run
  std::uint32_t baud = 921'600;     // 0: no limit
  std::uint32_t ring_bytes = 4096;  // that the device can keep for the line: 200 ms at 9,000 rpm
  std::string folder;               // where it records; empty: the temporary folder
  bool program_first = false;       // before the computer's other work too, as on one that has none
  bool counts_only = false;         // times, processor and memory are printed and not judged
};

// Prints what came out. Whether all counts add up and, unless counts_only, the targets are met.
bool run_live_load(const LiveLoad& load);

}  // namespace cw::load
