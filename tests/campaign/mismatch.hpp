// Runs in which the engine file is not the engine's: another wheel, another cam, wires swapped, a reluctor backwards. An
// observer must say so and claim no position.
#pragma once

#include <cstddef>
#include <cstdint>
#include <iosfwd>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "campaign/draw.hpp"
#include "campaign/feed.hpp"
#include "campaign/tally.hpp"
#include "simulate/simulation.hpp"

namespace cw::campaign {

enum class MismatchKind : std::uint8_t {
  tooth_count,         // as many missing, another pitch
  missing_count,       // the same pitch, more or fewer missing
  several_gaps,        // one gap for several, or several for one
  even_for_gap,        // no gap in the file or none on the wheel
  other_shaft,         // a crank wheel said to be on the cam, or the other way round
  cam_pattern,         // the wheel is right, the cam's edges are another cam's
  swapped_channels,    // crank and cam wires change places
  reluctor_backwards,  // the file is right, the sensor's two wires are swapped
};
inline constexpr std::size_t mismatch_kinds = 8;
std::string_view to_string(MismatchKind kind);

struct MismatchCase {
  Case drawn;  // what is true; no faults
  MismatchKind kind = MismatchKind::tooth_count;
  std::string file_toml;  // what the observer is given
  Engine file;
};

// Seeds give kinds in turn. What no observer could tell from geometry alone is drawn again (could_be, could_be_timed_wrong), and
// so is a run of fewer than ten cycles. Never throws; look at MismatchCase::drawn.problem.
MismatchCase draw_mismatch(std::uint64_t seed);

// Whether an engine as in `file` could give the edges that `truth` gives, at some steady speed and from some position: the
// teeth's steps stand in one proportion, to a tenth of the least step, all around; and every cam edge falls in a window
// of the file's, and every window gets its edge (5 degrees of slack for assembly and play). Channels go by name.
bool could_be(const Engine& truth, const Engine& file);

// Whether what the file reads of the true engine's cam, by polarity, is the pattern of the file's first cam, turned by no
// more than 75 degrees, tolerance, phaser travel and an unlisted flank's width beside, from where it stands in some place that the wheel leaves open:
// then it may as well be the cam that is timed wrong, or a belt that jumped. Edges are compared with twice the tolerance.
bool could_be_timed_wrong(const Engine& truth, const Engine& file);

// The edges of a reluctor wired backwards, at speed: each tooth moved to the middle of the space after it.
Engine with_teeth_in_spaces(const Engine& engine);

struct MismatchVerdict {
  std::uint64_t seed = 0;
  std::string problem;  // could not be run
  MismatchKind kind = MismatchKind::tooth_count;
  std::string said;      // wrong-engine-file or wrong-edge-or-polarity; empty = neither
  bool claimed = false;  // revolution-locked or cycle-locked at any time; with a wrong cam cycle-locked only, since the
                         // wheel is right and the place within a turn is known
  double after_s = 0;    // from the first edge to the finding
  double after_cycles = 0;

  bool recognised() const { return !said.empty(); }
  bool good() const { return recognised() && !claimed; }
};

MismatchVerdict judge_mismatch(const MismatchCase& drawn, const sim::Simulation& simulation, const Observed& observed);

// Why a run failed, in a few words; empty = it did not.
std::string failure_of(const MismatchVerdict& verdict);
// Empty when as many as demanded are recognised with no position claimed.
std::vector<std::string> missed_targets(std::span<const MismatchVerdict> verdicts, const Demands& demands = targets);
void print_report(std::span<const MismatchVerdict> verdicts, std::ostream& out);

}  // namespace cw::campaign
