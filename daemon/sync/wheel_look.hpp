// What the crank wheel looks like, from its edge times alone: after how many edges the pattern repeats, how long each step
// is in common pitches, what that wheel is called, and whether the engine file can be true of it. Knows nothing of places,
// locks or cams, so that it can contradict a search that was told the wrong wheel.
//
// What it can't tell, since the signal is the same: how many teeth an even wheel has; whether a wheel turns with the crank
// or the cam; a missing tooth beside a gap from a wheel made so; on coarse wheels at cranking, a gap from a compression dip.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "geometry/tooth_cycle.hpp"

namespace cw {

struct WheelLook {
  // Time of each step as a share of the repeat, times 360: the step angles when the repeat is a turn and speed is steady.
  // Speed that changes alike in every repeat is in it. Starts anywhere.
  std::vector<double> step_deg;
  std::vector<double> step_ns;  // all steps seen, whole repeats, the newest last
};

// The look of a wheel at the end of `t_ns` (ascending): the smallest number of edges after which the ratios of neighbouring
// intervals repeat, without an exception over at least `repeats_more` more repeats and `steps_min` steps (more than all of the
// file's pattern, else it says nothing of the file; more than stand between two gaps). A change of speed, even a
// quick one, leaves the ratios alone; an edge missed or one too many gives an exception, and nothing until it is behind.
// Nothing too when no repeat is found within `repeat_max`, or teeth look even over so few steps that a gap may be to come.
inline constexpr std::size_t repeat_max = 260;  // two turns of 130 teeth
std::optional<WheelLook> look_at_wheel(std::span<const std::int64_t> t_ns, std::size_t steps_min,
                                       std::size_t repeats_more = 2);

// Each step of the smallest repeat in whole multiples of the wheel's common pitch, {1} for even teeth; empty when they can't
// be told to be whole multiples. A gap that stands as one step of up to six pitches.
std::vector<int> pitches_of(const WheelLook& look);

// "60-2", "36-2-2-2", "12 even teeth + 1", "even teeth, no gap", "a pattern that repeats every 7 edges".
std::string words_of(const WheelLook& look, const std::vector<int>& pitches);
// And of a wheel that is described.
std::string words_of(const ToothCycle& wheel);
enum class WheelFit : std::uint8_t {
  fits,           // or can't be told from one that does
  tooth_missing,  // fits when one tooth, which stands alone, gives no edge in any turn: a damaged tooth
  tooth_displaced,  // fits but for one tooth, not beside a gap, that is out of place by up to displaced_share_max of a step
  edge_added,       // fits when one edge is too many in every turn, always at the same place: a burr or a loose part
  wired_backwards,
  other_wheel,
};

// Whether a wheel of the engine file can give that look, started from any tooth.
//
// Given the file's steps, the speed of each step follows, and the bend of ln(speed) at each tooth. What a bend may be is
// what an engine may do (ripple_bend_max) and what a rough wheel does: a tooth off by 2.5 % of the pitch (one standard
// deviation; common practice, no source) shifts the bend by up to sqrt(20) of that, since the errors of four neighbouring
// edges enter with weights 1, 3, 3, 1; five standard deviations are allowed. A pitch too many in a gap of M missing teeth
// bends it by 2 ln((M+2)/(M+1)).
//
// Wired backwards: the conditioner of a reluctor switches where the signal crosses zero on its steep side, in the middle of
// a tooth; with the two wires swapped the steep side has the wrong direction and it switches in the middle between two
// teeth. Over teeth of pitch p these are half a pitch later, and nothing shows. Beside a gap of M missing teeth: the last
// regular switching is p/2 before the last tooth, the next regular one p/2 after the first; the distance between the two
// teeth is (M+1) p, so these are (M+2) p apart. Between them the signal crosses zero once, slowly, at a place that hangs on
// amplitude and threshold, so on speed. So two long intervals in a row, together M+2 pitches, in place of one of one pitch
// and one of M+1. It is claimed when the shorter is at least 1.2 pitches.
WheelFit fit(const WheelLook& look, const ToothCycle& file);

// Whether the file's wheel, from some tooth on, can give these edges (at least two) with none missed and none too many: the
// same test of bends, on any stretch, without waiting for a repeat. A yes says little, a no says much.
bool can_explain(std::span<const std::int64_t> t_ns, const ToothCycle& file);
// The teeth of the file (of one repeat) that the first edge can be then.
std::vector<std::size_t> explaining_starts(std::span<const std::int64_t> t_ns, const ToothCycle& file);
// And wired backwards, as in fit(); needs two repeats. Where the edge in the gap never comes at the same place, the pattern
// does not repeat.
bool can_explain_backwards(std::span<const std::int64_t> t_ns, const ToothCycle& file);

// The greatest bend (second difference) of ln(speed) over steps of `step_ns` that an engine gives at `rpm`. The published
// cranking record (Tech Briefs, test and measurement 21269) is about 155 + 70 cos x + 5 cos 2x rpm with x at 10 Hz: at its
// least, 85 rpm, ln(speed) bends with (70 - 20) / 85 x (2 pi 10)^2 = 2,300 per square second, at its greatest, 225 rpm,
// with -(70 + 20) / 225 x (2 pi 10)^2 = -1,600. Over long steps no more than about 2 ln(225/85). Running engines bend more
// slowly for each degree but faster in time; 9,000 per square second is a ripple of four waves a turn of 8 % at 800 rpm (our
// own choice).
double ripple_bend_max(double step_ns, double rpm, bool at_peak);

}  // namespace cw
