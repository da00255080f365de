#include "simulate/scenario.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>
#include <utility>

#include "geometry/angle.hpp"
#include "simulate/ecu_counter.hpp"

namespace cw::sim {

namespace {

constexpr std::array<std::pair<FaultKind, std::string_view>, 18> fault_names = {{
    {FaultKind::extra_edge, "extra-edge"},
    {FaultKind::noise_burst, "noise-burst"},
    {FaultKind::missed_edge, "missed-edge"},
    {FaultKind::crank_signal_stopped, "crank-signal-stopped"},
    {FaultKind::cam_edge_missing, "cam-edge-missing"},
    {FaultKind::cam_signal_dead, "cam-signal-dead"},
    {FaultKind::cam_extra_edge, "cam-extra-edge"},
    {FaultKind::cam_step, "cam-step"},
    {FaultKind::crank_wheel_step, "crank-wheel-step"},
    {FaultKind::reference_error, "reference-error"},
    {FaultKind::reference_delay, "reference-delay"},
    {FaultKind::reference_missing, "reference-missing"},
    {FaultKind::ecu_restarted, "ecu-restarted"},
    {FaultKind::ecu_silent, "ecu-silent"},
    {FaultKind::ecu_late, "ecu-late"},
    {FaultKind::ecu_offset_changed, "ecu-offset-changed"},
    {FaultKind::ecu_speed_disagrees, "ecu-speed-disagrees"},
    {FaultKind::ecu_advance_disagrees, "ecu-advance-disagrees"},
}};

bool is_cam_fault(FaultKind kind) {
  return kind == FaultKind::cam_edge_missing || kind == FaultKind::cam_signal_dead ||
         kind == FaultKind::cam_extra_edge || kind == FaultKind::cam_step;
}

bool is_reference_fault(FaultKind kind) {
  return kind == FaultKind::reference_error || kind == FaultKind::reference_delay ||
         kind == FaultKind::reference_missing;
}

bool is_ecu_fault(FaultKind kind) {
  return kind >= FaultKind::ecu_restarted && kind <= FaultKind::ecu_advance_disagrees;
}

// On the wire of a sensor, where tap and ECU may see different things.
bool is_wire_fault(FaultKind kind) {
  return kind == FaultKind::extra_edge || kind == FaultKind::noise_burst || kind == FaultKind::missed_edge ||
         kind == FaultKind::crank_signal_stopped ||
         (kind >= FaultKind::cam_edge_missing && kind <= FaultKind::cam_extra_edge);
}

const CamPattern* cam_named(const Engine& engine, const std::string& name) {
  for (const CamPattern& cam : engine.cams) {
    if (cam.name == name) {
      return &cam;
    }
  }
  return nullptr;
}

std::optional<std::string> phase_problem(const Phase& phase) {
  if (!(phase.duration_s > 0) || phase.duration_s > 1e6) {
    return "duration_s: expected more than 0 and at most 1000000";
  }
  if (phase.rpm < 0 || phase.rpm_end < 0 || phase.rpm > 30000 || phase.rpm_end > 30000) {
    return "rpm, rpm_end: expected 0 to 30000";
  }
  if (phase.kind == PhaseKind::sweep && !(phase.period_s > 0)) {
    return "period_s: expected more than 0";
  }
  double sum = 0;
  for (const Ripple& ripple : phase.ripples) {
    if (!(ripple.order > 0) || ripple.order > 100 || ripple.amplitude < 0) {
      return "ripple: expected order above 0 and at most 100, amplitude 0 or more";
    }
    sum += ripple.amplitude;
  }
  if (sum > 0.95) {
    return "ripple: expected amplitudes that sum up to at most 0.95, or the crank would stop within a cycle";
  }
  return std::nullopt;
}

std::optional<std::string> model_problem(const EngineModel& model) {
  const std::array<double, 7> positive = {model.bore_mm,  model.stroke_mm,        model.inertia_kg_m2, model.burn_deg,
                                          model.step_deg, model.starter_free_rpm, model.governor_s};
  if (std::any_of(positive.begin(), positive.end(), [](double value) { return !(value > 0); })) {
    return "model: expected sizes, inertia, steps, starter_free_rpm and governor_s above 0";
  }
  if (!(model.rod_ratio > 1) || !(model.compression_ratio > 1) || !(model.polytropic > 1)) {
    return "model: expected rod_ratio, compression_ratio and polytropic above 1";
  }
  if (!(model.step_ms > 0) || model.closed_deg < 60 || model.closed_deg > 180) {
    return "model: expected step_ms above 0 and closed_deg from 60 to 180";
  }
  if (model.breakaway_nm < model.friction_nm || model.friction_nm < 0 || model.friction_nm_s < 0) {
    return "model: expected friction of 0 or more and breakaway_nm not below friction_nm";
  }
  return std::nullopt;
}

bool tooth_exists(const Engine& engine, int number) {
  const std::vector<WheelTooth>& teeth = engine.crank.teeth;
  return number == 0 ||
         std::any_of(teeth.begin(), teeth.end(), [number](const WheelTooth& tooth) { return tooth.number == number; });
}

std::optional<std::string> fault_problem(const Engine& engine, const Fault& fault) {
  if (fault.at_s.value_or(0) < 0 || fault.cycle < 0 || fault.count < 1 || fault.count > 100000) {
    return "expected at_s and cycle of 0 or more, count from 1 to 100000";
  }
  if (!(fault.fraction > 0 && fault.fraction < 1) || !(fault.width_us > 0) || !(fault.span_deg > 0)) {
    return "expected fraction between 0 and 1, width_us and span_deg above 0";
  }
  const bool crank_tooth = fault.kind == FaultKind::missed_edge || fault.kind == FaultKind::extra_edge;
  if (crank_tooth && !tooth_exists(engine, fault.tooth)) {
    return "tooth: expected a tooth that exists on the crank wheel";
  }
  if (is_cam_fault(fault.kind)) {
    if (engine.cams.empty() || (!fault.cam.empty() && cam_named(engine, fault.cam) == nullptr)) {
      return "cam: expected the name of a cam of the engine file";
    }
    const CamPattern& cam = fault.cam.empty() ? engine.cams.front() : *cam_named(engine, fault.cam);
    const bool belt = fault.cam.empty() ? std::any_of(engine.cams.begin(), engine.cams.end(),
                                                      [](const CamPattern& c) { return c.gear_teeth.has_value(); })
                                        : cam.gear_teeth.has_value();
    if (fault.kind == FaultKind::cam_step && (!belt || fault.teeth == 0)) {
      return "teeth: expected a number other than 0, and gear_teeth in the engine file";
    }
    if (fault.tooth < 0 || fault.tooth > static_cast<int>(cam.edges.size())) {
      return "tooth: expected the number of one of the cam's edges";
    }
  }
  if (is_reference_fault(fault.kind) && !engine.reference) {
    return "kind: expected an engine file with a [reference]";
  }
  return std::nullopt;
}

std::optional<std::string> ecu_fault_problem(const Scenario& scenario, const Fault& fault) {
  if (is_ecu_fault(fault.kind) && !scenario.ecu.modelled()) {
    return "kind: expected a modelled ECU, [ecu.counter] or [ecu.can]";
  }
  if (fault.seen_by != SeenBy::both && !is_wire_fault(fault.kind)) {
    return "seen_by: expected a fault on the wire of a sensor";
  }
  if (fault.seen_by == SeenBy::ecu && !scenario.ecu.modelled()) {
    return "seen_by: expected a modelled ECU, [ecu.counter] or [ecu.can]";
  }
  const bool lasting = fault.kind == FaultKind::ecu_restarted || fault.kind == FaultKind::ecu_silent;
  if (lasting && !(fault.for_s.value_or(0) > 0)) {
    return "for_s: expected how long, above 0";
  }
  return std::nullopt;
}

std::optional<std::string> ecu_problem(const Engine& engine, const Scenario& scenario) {
  const Ecu& ecu = scenario.ecu;
  if (ecu.modelled() && !can_count(engine)) {
    return "ecu: expected a wheel with a gap, the only kind whose counter is modelled";
  }
  const bool unasked = !ecu.advance_table.empty() || !ecu.spark_cuts.empty() || !ecu.fuel_cuts.empty();
  if (unasked && !ecu.modelled()) {
    return "ecu: expected [ecu.counter] or [ecu.can] beside advance_table, spark_cuts and fuel_cuts";
  }
  for (std::size_t i = 1; i < ecu.advance_table.size(); ++i) {
    if (!(ecu.advance_table[i].rpm > ecu.advance_table[i - 1].rpm)) {
      return "ecu.advance_table: expected rows of rpm and degrees, rpm rising";
    }
  }
  if (ecu.can && (ecu.can->layouts.empty() || !(ecu.can->bit_rate > 0) || !(ecu.can->period_scale > 0) ||
                  !(ecu.can->bus_load >= 0 && ecu.can->bus_load <= 0.9))) {
    return "ecu.can: expected a layout, bit_rate and period_scale above 0, bus_load from 0 to 0.9";
  }
  if (ecu.counter && (ecu.counter->good_turns < 1 || ecu.counter->cam_edges < 1 || ecu.counter->tolerate_teeth < 0 ||
                      !(ecu.counter->stopped_s > 0))) {
    return "ecu.counter: expected good_turns and cam_edges of 1 or more, tolerate_teeth of 0 or more, stopped_s above "
           "0";
  }
  return std::nullopt;
}

// A run is held in memory whole.
constexpr double parts_max = 5e7;

// The greatest of integration steps, edges and samples that a phase can lead to, roughly.
double parts_of(const Phase& phase, const Engine& engine, const Scenario& scenario) {
  const double deg_per_s = std::max({phase.rpm, phase.rpm_end, 400.0}) * deg_per_s_per_rpm;
  std::size_t marks = 2 * engine.crank.teeth.size();
  for (const CamPattern& cam : engine.cams) {
    marks += cam.edges.size();
  }
  const double edges = deg_per_s / deg_per_rev * static_cast<double>(marks);
  const double samples = deg_per_s / scenario.sample_deg;
  const bool direct = phase.kind == PhaseKind::profile;
  const double steps = direct ? deg_per_s : std::max(deg_per_s / scenario.model.step_deg, 1e3 / scenario.model.step_ms);
  return phase.duration_s * std::max({edges, samples, steps});
}

std::optional<std::string> phases_problem(const Engine& engine, const Scenario& scenario) {
  if (scenario.phases.empty()) {
    return "phase: expected at least one [[phase]]";
  }
  double parts = 0;
  for (std::size_t i = 0; i < scenario.phases.size(); ++i) {
    if (const auto problem = phase_problem(scenario.phases[i])) {
      return "phase " + std::to_string(i + 1) + ": " + *problem;
    }
    parts += parts_of(scenario.phases[i], engine, scenario);
  }
  if (parts > parts_max) {
    return "phase: expected a run of at most 50 million edges, samples or steps; make several shorter ones";
  }
  return std::nullopt;
}

}  // namespace

std::string_view to_string(FaultKind kind) {
  for (const auto& [known, name] : fault_names) {
    if (known == kind) {
      return name;
    }
  }
  return "unknown";
}

std::optional<FaultKind> fault_kind_of(std::string_view text) {
  for (const auto& [kind, name] : fault_names) {
    if (name == text) {
      return kind;
    }
  }
  return std::nullopt;
}

std::string_view to_string(SeenBy seen_by) {
  return seen_by == SeenBy::both ? "both" : seen_by == SeenBy::tap ? "tap" : "ecu";
}

Phase published_cranking(double order, double duration_s) {
  // Solved for mean over time 150: see the header and the test that checks all three figures.
  constexpr double second_rpm = -12.9394043;
  constexpr double first_rpm = 70.0;
  constexpr double mean_rpm = 155.0 - second_rpm;
  Phase phase;
  phase.kind = PhaseKind::profile;
  phase.duration_s = duration_s;
  phase.rpm = mean_rpm;
  phase.rpm_end = mean_rpm;
  phase.ripples = {{order, first_rpm / mean_rpm, 180}, {2 * order, -second_rpm / mean_rpm, 180}};
  return phase;
}

namespace {

constexpr double rad_per_deg = std::numbers::pi / 180.0;

// Harmonic of a raised cosine over +-90 degrees, from its Fourier integral by sums over whole degrees.
double pulse_harmonic(double order) {
  double sum = 0;
  for (int deg = -90; deg <= 90; ++deg) {
    sum += (1 + std::cos(2 * deg * rad_per_deg)) * std::cos(order * deg * rad_per_deg);
  }
  return sum;
}

double ripple_sum(const std::vector<Ripple>& ripples, double crank_deg) {
  double sum = 0;
  for (const Ripple& ripple : ripples) {
    sum += ripple.amplitude * std::cos((ripple.order * crank_deg - ripple.phase_deg) * rad_per_deg);
  }
  return sum;
}

}  // namespace

std::vector<Ripple> firing_ripple(const Engine& engine, double depth) {
  constexpr double least_share = 1e-3;
  constexpr int waves_most = 16;  // a cycle
  std::vector<Ripple> ripples;
  const double base_order = deg_per_rev / engine.cycle_deg;
  for (int waves = 1; waves <= waves_most; ++waves) {
    const double order = waves * base_order;
    std::complex<double> sum = 0;
    for (const double tdc_deg : engine.firing_angles_deg) {
      sum += std::polar(1.0, order * tdc_deg * rad_per_deg);
    }
    const double share = pulse_harmonic(order) / pulse_harmonic(0);
    const std::complex<double> dip = -share * sum;
    if (std::abs(dip) > least_share) {
      ripples.push_back({order, std::abs(dip), std::arg(dip) / rad_per_deg});
    }
  }
  double least = 0;
  double greatest = 0;
  double amplitudes = 0;
  for (int deg = 0; deg < static_cast<int>(engine.cycle_deg); ++deg) {
    least = std::min(least, ripple_sum(ripples, deg));
    greatest = std::max(greatest, ripple_sum(ripples, deg));
  }
  for (const Ripple& ripple : ripples) {
    amplitudes += ripple.amplitude;
  }
  // No deeper than a profile allows (find_problem).
  constexpr double amplitudes_most = 0.9;
  const double scale = amplitudes > 0 ? std::min(2 * depth / (greatest - least), amplitudes_most / amplitudes) : 0;
  for (Ripple& ripple : ripples) {
    ripple.amplitude *= scale;
  }
  return ripples;
}

std::optional<std::string> find_problem(const Engine& engine, const Scenario& scenario) {
  if (scenario.start_deg < 0 || scenario.start_deg >= engine.cycle_deg || scenario.start_rpm.value_or(0) < 0) {
    return "start_deg: expected 0 up to the cycle's length; start_rpm: expected 0 or more";
  }
  if (scenario.tick_ns < 1 || !(scenario.sample_deg > 0)) {
    return "tick_ns: expected 1 or more; sample_deg: expected more than 0";
  }
  if (scenario.crank.duty < 0.02 || scenario.crank.duty > 0.98) {
    return "crank.duty: expected 0.02 to 0.98";
  }
  const bool on_cam = engine.crank.shaft == WheelShaft::cam;
  if (!on_cam && (scenario.crank.backlash_deg > 0 || scenario.crank.torsion_deg > 0)) {
    return "crank.backlash_deg, crank.torsion_deg: expected 0 where the wheel is not on the cam";
  }
  if (engine.crank.teeth.empty() || engine.firing_angles_deg.empty()) {
    return "engine: expected teeth and firing angles";
  }
  if (auto problem = model_problem(scenario.model)) {
    return problem;
  }
  if (auto problem = phases_problem(engine, scenario)) {
    return problem;
  }
  if (auto problem = ecu_problem(engine, scenario)) {
    return problem;
  }
  for (const CamSensor& sensor : scenario.cams) {
    if (cam_named(engine, sensor.name) == nullptr) {
      return "cam.name: expected the name of a cam of the engine file, found \"" + sensor.name + "\"";
    }
  }
  for (std::size_t i = 0; i < scenario.faults.size(); ++i) {
    auto problem = fault_problem(engine, scenario.faults[i]);
    problem = problem ? problem : ecu_fault_problem(scenario, scenario.faults[i]);
    if (problem) {
      return "fault " + std::to_string(i + 1) + " (" + std::string(to_string(scenario.faults[i].kind)) +
             "): " + *problem;
    }
  }
  return std::nullopt;
}

}  // namespace cw::sim
