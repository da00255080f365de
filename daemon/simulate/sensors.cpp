#include "simulate/sensors.hpp"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <numbers>

#include "geometry/angle.hpp"

namespace cw::sim {

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180.0;
constexpr double widest_default_deg = 30;

// Least distance between neighbours on the circle; the period when there is one angle only.
double least_step(std::vector<double> angles_deg, double period_deg) {
  std::sort(angles_deg.begin(), angles_deg.end());
  double least = period_deg;
  for (std::size_t i = 0; i + 1 < angles_deg.size(); ++i) {
    least = std::min(least, angles_deg[i + 1] - angles_deg[i]);
  }
  if (angles_deg.size() > 1) {
    least = std::min(least, angles_deg.front() + period_deg - angles_deg.back());
  }
  return least;
}

void add_tooth(Pattern& pattern, double active_deg, double width_deg, int number, bool active_rising) {
  const double other_deg = active_rising ? active_deg + width_deg : active_deg - width_deg;
  pattern.marks.push_back({wrap_deg(active_deg, pattern.period_deg), number, true, active_rising});
  pattern.marks.push_back({wrap_deg(other_deg, pattern.period_deg), number, false, !active_rising});
}

void sort_marks(Pattern& pattern) {
  std::sort(pattern.marks.begin(), pattern.marks.end(),
            [](const Mark& a, const Mark& b) { return a.angle_deg < b.angle_deg; });
}

std::vector<double> angles_of(const Pattern& pattern) {
  std::vector<double> angles;
  angles.reserve(pattern.marks.size());
  for (const Mark& mark : pattern.marks) {
    angles.push_back(mark.angle_deg);
  }
  return angles;
}

// The signal of a reluctor wired backwards, `teeth_deg` where its teeth stand: the conditioner is armed by the flank that
// leaves a tooth and fires in the space that follows.
void add_spaces(Pattern& pattern, const std::vector<double>& teeth_deg, const Wheel& wheel, double width_deg) {
  for (std::size_t i = 0; i < teeth_deg.size(); ++i) {
    const bool last = i + 1 == teeth_deg.size();
    const double next_deg = last ? teeth_deg.front() + pattern.period_deg : teeth_deg[i + 1];
    const double space_deg = next_deg - teeth_deg[i];
    const bool rising = wheel.active_edge == ActiveEdge::rising;
    const int number = wheel.teeth[i].number;
    const double armed_deg = teeth_deg[i] + std::min(width_deg, pattern.fade_deg) / 2;
    pattern.marks.push_back({wrap_deg(armed_deg, pattern.period_deg), number, false, !rising, 0});
    pattern.marks.push_back(
        {wrap_deg(teeth_deg[i] + space_deg / 2, pattern.period_deg), number, true, rising, space_deg});
  }
}

// How far from its mark a flank comes, crank degrees.
double crossing_off_deg(const Pattern& pattern, const Mark& mark, double speed_deg_s, Random& random) {
  const double rpm = std::fabs(speed_deg_s) / deg_per_s_per_rpm;
  const double scatter_deg = crossing_scatter_deg(*pattern.backwards, mark.space_deg, pattern.fade_deg, rpm);
  const double off_deg =
      crossing_deg(*pattern.backwards, mark.space_deg, pattern.fade_deg, rpm) + scatter_deg * random.normal();
  const double most_deg = mark.space_deg / 2 - pattern.fade_deg;
  return std::clamp(off_deg, -most_deg, most_deg);
}

}  // namespace

Pattern crank_pattern(const Engine& engine, const CrankSensor& sensor, Random& random) {
  const Wheel& wheel = engine.crank;
  Pattern pattern;
  pattern.period_deg = wheel.period_deg;
  std::vector<double> angles;
  for (const WheelTooth& tooth : wheel.teeth) {
    angles.push_back(tooth.angle_deg);
  }
  const double pitch_deg = std::min(least_step(angles, wheel.period_deg), widest_default_deg);
  const double width_deg = sensor.duty * pitch_deg;
  std::vector<double> teeth_deg;
  for (std::size_t i = 0; i < angles.size(); ++i) {
    double error_deg = i < sensor.pitch_errors_deg.size() ? sensor.pitch_errors_deg[i] : 0.0;
    if (sensor.pitch_error_sd_deg > 0) {
      error_deg += sensor.pitch_error_sd_deg * random.normal();
    }
    error_deg += sensor.run_out_deg *
                 std::cos((angles[i] * deg_per_rev / wheel.period_deg - sensor.run_out_phase_deg) * rad_per_deg);
    teeth_deg.push_back(angles[i] + error_deg - wheel.trigger_offset_deg);
  }
  if (sensor.backwards) {
    pattern.backwards = sensor.backwards;
    pattern.fade_deg = sensor.backwards->fade * pitch_deg;
    add_spaces(pattern, teeth_deg, wheel, width_deg);
  }
  for (std::size_t i = 0; i < teeth_deg.size() && !sensor.backwards; ++i) {
    add_tooth(pattern, teeth_deg[i], width_deg, wheel.teeth[i].number, wheel.active_edge == ActiveEdge::rising);
  }
  sort_marks(pattern);
  return pattern;
}

Pattern cam_pattern(const CamPattern& cam, double cycle_deg, double width_deg) {
  Pattern pattern;
  pattern.period_deg = cycle_deg;
  std::vector<double> angles;
  const bool both = cam.lists_both_edges();
  for (const CamEdge& edge : cam.edges) {
    angles.push_back(edge.angle_deg);
  }
  const double width = width_deg > 0 ? width_deg : std::min(0.5 * least_step(angles, cycle_deg), widest_default_deg);
  int number = 0;
  for (const CamEdge& edge : cam.edges) {
    const bool rising = edge.edge == ActiveEdge::rising;
    ++number;
    if (both) {
      pattern.marks.push_back({wrap_deg(edge.angle_deg, cycle_deg), number, true, rising});
    } else {
      add_tooth(pattern, edge.angle_deg, width, number, rising);
    }
  }
  sort_marks(pattern);
  return pattern;
}

void sort_toggles(std::vector<Toggle>& toggles) {
  const auto earlier = [](const Toggle& a, const Toggle& b) { return a.t_s < b.t_s; };
  if (!std::is_sorted(toggles.begin(), toggles.end(), earlier)) {
    std::stable_sort(toggles.begin(), toggles.end(), earlier);
  }
}

Wire wheel_wire(const std::string& channel, const Motion& motion, const PhaseTrack& phase, const Pattern& pattern,
                const SensorNoise& noise, const Scatter& scatter, Random& random) {
  Wire wire;
  wire.channel = channel;
  const std::vector<double> angles = angles_of(pattern);
  if (motion.empty() || angles.empty()) {
    return wire;
  }
  PhaseTrack start = phase;
  const double wheel_deg = wrap_deg(motion.front().crank_deg - start.at(motion.front()), pattern.period_deg);
  const auto next = std::upper_bound(angles.begin(), angles.end(), wheel_deg) - angles.begin();
  wire.starts_high = pattern.marks[next > 0 ? static_cast<std::size_t>(next - 1) : angles.size() - 1].rising;
  const double turns = std::fabs(motion.back().crank_deg - motion.front().crank_deg) / pattern.period_deg;
  wire.toggles.reserve(static_cast<std::size_t>((turns + 1) * static_cast<double>(angles.size())));
  for_each_passage(motion, phase, angles, pattern.period_deg, [&](const Passage& passage) {
    const Mark& mark = pattern.marks[passage.slot];
    double scatter_deg = noise.jitter_deg > 0 ? noise.jitter_deg * random.normal() : 0.0;
    if (scatter.uniform_deg > 0) {
      scatter_deg += scatter.uniform_deg * (random.uniform() - 0.5);
    }
    if (scatter.normal_deg > 0) {
      scatter_deg += scatter.normal_deg * random.normal();
    }
    if (pattern.backwards && mark.space_deg > 0) {
      scatter_deg += crossing_off_deg(pattern, mark, passage.speed_deg_s, random);
    }
    double t_s = passage.t_s + noise.delay_us * 1e-6;
    if (scatter_deg != 0) {
      t_s += scatter_deg / std::max(std::fabs(passage.speed_deg_s), least_scatter_speed_deg_s);
    }
    if (noise.jitter_ns > 0) {
      t_s += noise.jitter_ns * 1e-9 * random.normal();
    }
    wire.toggles.push_back(
        {std::max(t_s, 0.0), mark.number, mark.active, mark.rising == passage.forward, passage.forward, Keep::yes});
  });
  sort_toggles(wire.toggles);
  return wire;
}

namespace {

double sum_at(const std::vector<TimedStep>& steps, double t_s) {
  double sum = 0;
  for (const TimedStep& step : steps) {
    sum += t_s >= step.from_s && t_s < step.to_s ? step.value : 0.0;
  }
  return sum;
}

bool within(const std::vector<TimedStep>& spans, double t_s) {
  return std::any_of(spans.begin(), spans.end(),
                     [t_s](const TimedStep& span) { return t_s >= span.from_s && t_s < span.to_s; });
}

// Times at which the ECU has to find its position afresh: start, every stop, the end of a dead signal.
std::vector<double> fresh_starts(const Motion& motion, const std::vector<TimedStep>& dead) {
  std::vector<double> starts = {motion.front().t_s};
  for (const Knot& knot : motion) {
    if (knot.speed_deg_s == 0) {
      starts.push_back(knot.t_s);
    }
  }
  for (const TimedStep& span : dead) {
    starts.push_back(span.to_s);
  }
  std::sort(starts.begin(), starts.end());
  return starts;
}

// When the crank reaches `deg` beyond the passage (before it when negative).
double time_beyond(const Motion& motion, const Passage& passage, double deg) {
  if (deg == 0) {
    return passage.t_s;
  }
  const double crank_deg = state_at(motion, passage.t_s).crank_deg + deg;
  const double back_s = deg < 0 ? 3 * -deg / std::max(passage.speed_deg_s, least_scatter_speed_deg_s) : 0.0;
  return time_at(motion, crank_deg, std::max(0.0, passage.t_s - back_s)).value_or(passage.t_s);
}

// An ECU works out the spark some time before it: so far before TDC it looks at its advance.
constexpr double decided_before_deg = 90;

double advance_at(const std::vector<TimedStep>& steps, double t_s) {
  const auto after = std::upper_bound(steps.begin(), steps.end(), t_s,
                                      [](double t, const TimedStep& step) { return t < step.from_s; });
  return after == steps.begin() ? steps.front().value : (after - 1)->value;
}

double drift_deg(const Ecu& ecu, double t_s) {
  const auto after =
      std::find_if(ecu.drift.begin(), ecu.drift.end(), [&](const PhaserPoint& p) { return p.t_s > t_s; });
  if (after == ecu.drift.begin()) {
    return ecu.drift.empty() ? 0 : ecu.drift.front().deg;
  }
  const PhaserPoint& before = *std::prev(after);
  if (after == ecu.drift.end()) {
    return before.deg;
  }
  return before.deg + (after->deg - before.deg) * (t_s - before.t_s) / (after->t_s - before.t_s);
}

}  // namespace

Wire reference_wire(const Reference& reference, const Ecu& ecu, const EcuRun& run, const Motion& motion,
                    Random& random) {
  Wire wire;
  wire.channel = reference.channel;
  const bool spark = reference.marks == ReferenceMark::spark;
  const bool rising = reference.active_edge == ActiveEdge::rising;
  // A spark output's first edge begins dwell, opposite to the active one; a TDC pulse begins with the active one.
  wire.starts_high = spark == rising;
  if (motion.empty()) {
    return wire;
  }
  const double advance_deg = spark ? ecu.advance_deg.value_or(reference.advance_deg) : 0.0;
  const bool by_table = spark && !run.advance.empty();
  const double mark_deg = wrap_deg(by_table ? -decided_before_deg : -advance_deg, reference.period_deg);
  const std::vector<double> starts = fresh_starts(motion, run.signal_dead);
  std::size_t start = 0;
  double start_deg = motion.front().crank_deg;
  double before_s = -1;
  for_each_passage(motion, run.wheel, std::span(&mark_deg, 1), reference.period_deg, [&](const Passage& passage) {
    while (start + 1 < starts.size() && starts[start + 1] <= passage.t_s) {
      ++start;
      start_deg = state_at(motion, starts[start]).crank_deg;
    }
    const double turned_deg = state_at(motion, passage.t_s).crank_deg - start_deg;
    const bool waits = turned_deg < ecu.starts_after_deg || within(run.signal_dead, passage.t_s);
    if (!passage.forward || (run.modelled ? within(run.quiet, passage.t_s) : waits)) {
      return;
    }
    const double to_spark_deg = by_table ? decided_before_deg - advance_at(run.advance, passage.t_s) : 0.0;
    double t_s =
        time_beyond(motion, passage,
                    to_spark_deg + ecu.error_deg + drift_deg(ecu, passage.t_s) + sum_at(run.error_deg, passage.t_s));
    t_s += (ecu.delay_us + sum_at(run.delay_us, passage.t_s) + reference.delay_us) * 1e-6;
    if (ecu.jitter_us > 0) {
      t_s += ecu.jitter_us * 1e-6 * random.normal();
    }
    if (t_s <= before_s) {
      return;
    }
    const double since_s = before_s < 0 ? t_s : t_s - before_s;
    const double width_s = std::min((spark ? ecu.dwell_ms : ecu.pulse_ms) * 1e-3, 0.8 * since_s);
    const double other_s = spark ? t_s - width_s : t_s + width_s;
    wire.toggles.push_back({t_s, 1, true, rising, true, Keep::yes});
    wire.toggles.push_back({std::max(other_s, 0.0), 1, false, !rising, true, Keep::yes});
    before_s = t_s;
  });
  sort_toggles(wire.toggles);
  return wire;
}

}  // namespace cw::sim
