// What the sensors put on their wires: teeth with two flanks, cams, and the ECU's reference output.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "geometry/engine.hpp"
#include "simulate/motion.hpp"
#include "simulate/random.hpp"
#include "simulate/reluctor.hpp"
#include "simulate/scenario.hpp"

namespace cw::sim {

// One flank of a wheel's pattern.
struct Mark {
  double angle_deg = 0;  // crank angle, [0, period), everything parked
  int number = 0;        // of the tooth, or of the cam's edge from 1
  bool active = true;    // listed in the engine file; else the other flank of the same tooth
  bool rising = false;   // turning forwards
  double space_deg = 0;  // above 0: a reluctor's crossing in the middle of a space this wide (Pattern::backwards)
};

struct Pattern {
  double period_deg = 360;
  std::vector<Mark> marks;            // ascending
  std::optional<Reluctor> backwards;  // its crossings wander about their marks
  double fade_deg = 1;
};

// Each tooth of the wheel: the active flank at the geometry's angle, the other a tooth width away on the side that
// makes the tooth the high part of the signal. `random` draws the pitch errors. A reluctor wired backwards fires in the
// middle of the spaces instead: the active flank of tooth n stands half way to the tooth after it.
Pattern crank_pattern(const Engine& engine, const CrankSensor& sensor, Random& random);

// The cam's edges; where the file lists one polarity only, the other flank `width_deg` away.
Pattern cam_pattern(const CamPattern& cam, double cycle_deg, double width_deg);

enum class Keep : std::uint8_t {
  yes,
  gone,  // the wire did not change
  lost,  // the wire changed, the capture did not see it
};

// A change of level. `number` 0: spurious.
struct Toggle {
  double t_s = 0;
  int number = 0;
  bool active = false;
  bool rising = false;  // of the undisturbed signal
  bool forward = true;
  Keep keep = Keep::yes;
};

// One channel over the run; toggles in order of time.
struct Wire {
  std::string channel;
  bool starts_high = false;
  std::vector<Toggle> toggles;
};

// Scatter that a wheel adds beyond its sensor's noise, crank degrees.
struct Scatter {
  double uniform_deg = 0;  // anywhere in +- half of it
  double normal_deg = 0;   // standard deviation
};

// A scatter in degrees is turned into time with the speed of the moment, but never below this: a crank that is about to
// stop would else scatter its last tooth over seconds.
inline constexpr double least_scatter_speed_deg_s = 360;

Wire wheel_wire(const std::string& channel, const Motion& motion, const PhaseTrack& phase, const Pattern& pattern,
                const SensorNoise& noise, const Scatter& scatter, Random& random);

// A value that changes at times; held between.
struct TimedStep {
  double from_s = 0;
  double to_s = 0;
  double value = 0;
};

// What the ECU does over a run: it counts from the crank wheel, so it needs the wheel's phase.
struct EcuRun {
  PhaseTrack wheel;
  std::vector<TimedStep> error_deg;  // added while they last
  std::vector<TimedStep> delay_us;
  std::vector<TimedStep> signal_dead;  // no crank signal: no output, and a fresh start after it
  // Of a modelled ECU, which knows by itself when it may fire:
  bool modelled = false;
  std::vector<TimedStep> quiet;    // it fires nothing meanwhile
  std::vector<TimedStep> advance;  // spark advance by time; empty = locked
};

Wire reference_wire(const Reference& reference, const Ecu& ecu, const EcuRun& run, const Motion& motion,
                    Random& random);

// Puts toggles back into order of time after one was moved or added.
void sort_toggles(std::vector<Toggle>& toggles);

}  // namespace cw::sim
