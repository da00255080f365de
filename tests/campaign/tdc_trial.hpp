// Top dead centre from the run-down, judged against the crank model's truth. The engine file's trigger offset is wrong by a
// drawn angle, its cams with it, as in a file that was learned; what is told must be where TDC really is.
//
// Drawn: engines as everywhere, all that drives the crank model (inertia, friction, starter, compression, leak, rod ratio,
// weights of pistons), a start, idling, a run-down with the fuel cut. The model has no pumping work, no torsion, and
// cylinders that are alike: real engines do worse, and nobody has measured how much.
#pragma once

#include <cstdint>
#include <iosfwd>
#include <span>
#include <string>
#include <vector>

#include "campaign/draw.hpp"
#include "campaign/tally.hpp"
#include "campaign/wheel_class.hpp"
#include "compare/tdc_from_crank.hpp"

namespace cw::campaign {

struct TdcVerdict {
  std::uint64_t seed = 0;
  std::string problem;  // the draw failed: a defect
  int cylinders = 0;
  WheelClass wheel = WheelClass::one_gap;
  TdcFromCrank told;
  double error_deg = 0;          // of what was told; modulo what it says it can't tell
  double cranking_slow_deg = 0;  // of the slow spot while cranking, from the true TDC; 0 where there is none
};

TdcVerdict run_tdc(std::uint64_t seed);  // never throws

void print_report(std::span<const TdcVerdict> verdicts, std::ostream& out);
std::string failure_of(const TdcVerdict& verdict);
// Within 4 degrees, and covered by the interval told, in 95 %.
std::vector<std::string> missed_targets(std::span<const TdcVerdict> verdicts, const Demands& demands);

}  // namespace cw::campaign
