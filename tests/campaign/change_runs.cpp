#include "tests/campaign/change_runs.hpp"

#include <algorithm>
#include <cmath>
#include <sstream>

#include "compare/cam_change_watch.hpp"
#include "compare/cam_watch.hpp"
#include "compare/tdc_watch.hpp"
#include "geometry/angle.hpp"
#include "tests/campaign/dice.hpp"

namespace cw::campaign {

namespace {

constexpr double s_per_min = 60;

// Noise that hangs together: a first-order process with this standard deviation and time constant.
class Wander {
 public:
  Wander(double sd_deg, double time_s) : sd_deg_(sd_deg), time_s_(time_s) {}
  double step(double dt_s, sim::Random& random) {
    const double kept = std::exp(-dt_s / time_s_);
    value_ = kept * value_ + std::sqrt(1 - kept * kept) * sd_deg_ * random.normal();
    return value_;
  }
  double sd_deg() const { return sd_deg_; }
  double time_s() const { return time_s_; }

 private:
  double sd_deg_;
  double time_s_;
  double value_ = 0;
};

struct CamNature {
  double place_deg = 0;
  double warm_deg = 0;       // where warmth takes it
  double speed_deg = 0;      // and 6,000 rpm, in proportion
  double scatter_deg = 0.1;  // from cycle to cycle
  Wander wander{0, 1};
};

// The engine of a seed, its noise, and where it is driven.
class Draw {
 public:
  explicit Draw(const ChangeRun& run) : dice(run.seed, 50), random(run.seed, 1'000'051) {
    engine.name = "change";
    engine.cylinders = 4;
    engine.firing_order = {1, 3, 4, 2};
    engine.firing_angles_deg = even_firing_angles(engine.firing_order, 720);
    engine.crank.teeth = pitched_teeth(60, {{58, 2}}, 360);
    engine.crank.positions = 60;
    engine.reference = Reference{};
    engine.reference->advance_deg = 10;
    engine.limits.warm_up_s = run.warm_up_s;
    const int cams = run.change.what == Changing::all_cams || run.change.what == Changing::one_cam ? dice.whole(2, 4)
                                                                                                   : dice.whole(1, 4);
    for (int i = 0; i < cams; ++i) {
      CamPattern cam;
      cam.name = "cam " + std::to_string(i);
      cam.channel = cam.name;
      cam.edges = {{50, ActiveEdge::falling}, {230, ActiveEdge::falling}, {500, ActiveEdge::falling}};
      cam.gear_teeth = dice.whole(36, 52);
      engine.cams.push_back(cam);
      const double warm_deg = dice.range(-2, 2);
      cams_.push_back({dice.range(-3, 3), warm_deg, dice.range(-0.5, 0.5), dice.log_range(0.05, 0.5),
                       Wander(dice.log_range(0.02, 0.12), dice.log_range(1, 60))});
    }
    mark_place_deg = dice.range(-0.6, 0.6);
    mark_delay_us = dice.range(0, 40);  // of degrees that grow with speed; more would be a tdc-deviation by itself
    mark_scatter_deg = dice.log_range(0.03, 0.4);
    mark_wander = Wander(dice.log_range(0.01, 0.06), dice.log_range(1, 60));
    outlier_share = dice.chance(0.5) ? dice.log_range(1e-4, 5e-3) : 0;
    warm_s = dice.range(120, 300);
    rpm = dice.range(700, 1200);
    target_rpm = rpm;
  }

  std::vector<CamNature>& cams() { return cams_; }

  // Speed goes from hold to hold; holds are of some seconds to a minute, between idle and 6,500.
  double drive(double t_s, double dt_s) {
    if (t_s >= hold_until_s) {
      target_rpm = dice.chance(0.3) ? dice.range(700, 1200) : dice.log_range(1200, 6500);
      ramp_rpm_s = dice.log_range(200, 4000);
      hold_until_s = t_s + dice.log_range(3, 60);
    }
    const double most = ramp_rpm_s * dt_s;
    rpm += std::clamp(target_rpm - rpm, -most, most);
    return rpm * (1 + 0.004 * random.normal());
  }

  Engine engine;
  Dice dice;
  sim::Random random;
  double mark_place_deg = 0;
  double mark_delay_us = 0;
  double mark_scatter_deg = 0;
  Wander mark_wander{0, 1};
  double outlier_share = 0;
  double warm_s = 200;
  double rpm = 800;
  double target_rpm = 800;
  double ramp_rpm_s = 500;
  double hold_until_s = 0;

 private:
  std::vector<CamNature> cams_;
};

double changed_deg(const KnownChange& change, double t_s) {
  if (t_s < change.at_s) {
    return 0;
  }
  return change.step_deg + change.drift_deg_per_min * (t_s - change.at_s) / s_per_min;
}

CamCycleEvent cam_cycle(std::size_t cam, double phase_deg, std::uint64_t cycle, std::int64_t t_ns, double rpm) {
  CamCycleEvent event;
  event.cam = cam;
  event.cycle = cycle;
  event.match.shift_deg = phase_deg;
  event.match.matched = 3;
  event.first_edge_ns = t_ns - 1'000'000;
  event.last_edge_ns = t_ns;
  event.now_ns = t_ns;
  event.rpm = rpm;
  return event;
}

std::string words(Draw& draw) {
  std::ostringstream out;
  out << "mark: scatter " << draw.mark_scatter_deg << ", wander " << draw.mark_wander.sd_deg() << " over "
      << draw.mark_wander.time_s() << " s, delay " << draw.mark_delay_us << " us, odd ones " << draw.outlier_share
      << "; warm after " << draw.warm_s << " s";
  for (const CamNature& cam : draw.cams()) {
    out << "; cam: scatter " << cam.scatter_deg << ", wander " << cam.wander.sd_deg() << " over " << cam.wander.time_s()
        << " s, warmth " << cam.warm_deg;
  }
  return out.str();
}

}  // namespace

ChangeOutcome run_changes(const ChangeRun& run) {
  Draw draw(run);
  std::uint64_t next_id = 1;
  TdcWatch tdc(draw.engine, next_id);
  CamWatch cams(draw.engine, next_id);
  CamChangeWatch changes(draw.engine, next_id);
  const CamConditions nothing_said;
  ChangeOutcome outcome;
  outcome.drawn = words(draw);
  double t_s = 0;
  std::size_t told = 0;
  while (t_s < run.duration_s) {
    const double cycle_s = 720 / (deg_per_s_per_rpm * draw.rpm);
    t_s += cycle_s;
    const double rpm = draw.drive(t_s, cycle_s);
    const auto t_ns = static_cast<std::int64_t>(t_s * 1e9);
    const double by_deg = changed_deg(run.change, t_s);
    for (std::size_t i = 0; i < draw.cams().size(); ++i) {
      CamNature& cam = draw.cams()[i];
      const bool changes_too =
          run.change.what == Changing::all_cams || (run.change.what == Changing::one_cam && i == 0);
      const double phase_deg = cam.place_deg + cam.warm_deg * (1 - std::exp(-t_s / draw.warm_s)) +
                               cam.speed_deg * rpm / 6000 + cam.wander.step(cycle_s, draw.random) +
                               cam.scatter_deg * draw.random.normal() + (changes_too ? by_deg : 0);
      const CamCycleEvent event = cam_cycle(i, phase_deg, outcome.cycles, t_ns, rpm);
      cams.take(event, outcome.findings);
      changes.take(event, cams.moved_deg(i), nothing_said, outcome.findings);
    }
    ReferenceEvent pulse;
    const double odd_deg = draw.dice.chance(draw.outlier_share) ? draw.dice.range(-5, 5) : 0;
    const double deviation_deg = draw.mark_place_deg + draw.mark_delay_us * 1e-6 * deg_per_s_per_rpm * rpm +
                                 draw.mark_wander.step(cycle_s, draw.random) +
                                 draw.mark_scatter_deg * draw.random.normal() + odd_deg +
                                 (run.change.what == Changing::mark ? by_deg : 0);
    pulse.t_ns = t_ns;
    pulse.angle_deg = wrap_deg(-draw.engine.reference->advance_deg + deviation_deg, 720);
    pulse.uncertainty_deg = 0.02;
    pulse.rpm = rpm;
    pulse.cycle = outcome.cycles;
    pulse.state = LockState::cycle_locked;
    tdc.take(pulse, cams.steady(), outcome.findings);
    for (; told < outcome.findings.size(); ++told) {
      outcome.found_s.try_emplace(outcome.findings[told].id, t_s);
    }
    ++outcome.cycles;
  }
  return outcome;
}

}  // namespace cw::campaign
