#include "campaign/draw.hpp"

#include <variant>

#include "config/engine_file.hpp"
#include "geometry/cam_evidence.hpp"
#include "simulate/crank_model.hpp"

namespace cw::campaign {

namespace {

// Engine and what its cams can tell.
void take_engine(std::uint64_t seed, Case& drawn) {
  drawn.seed = seed;
  drawn.scenario.seed = seed;
  Dice engine_dice(seed, 1);
  drawn.engine_toml = draw_engine(engine_dice);
  auto parsed = parse_engine(drawn.engine_toml, "engine.toml");
  if (const auto* error = std::get_if<ConfigError>(&parsed)) {
    drawn.problem = error->message;
    return;
  }
  drawn.engine = std::get<Engine>(std::move(parsed));
  const auto known_deg = known_within_deg(position_evidence(drawn.engine), drawn.engine.cycle_deg);
  drawn.place_known = known_deg.has_value();
  drawn.cam_fixes_cycle = known_deg.value_or(0) >= drawn.engine.cycle_deg;
}

}  // namespace

Case draw_case(std::uint64_t seed) {
  Case drawn;
  Dice run_dice(seed, 2);
  Dice noise_dice(seed, 3);
  Dice fault_dice(seed, 4);
  take_engine(seed, drawn);
  if (!drawn.problem.empty()) {
    return drawn;
  }
  draw_run(run_dice, drawn);
  draw_noise(noise_dice, drawn);
  const auto unfit = sim::find_problem(drawn.engine, drawn.scenario);
  if (unfit) {
    drawn.problem = *unfit;
    return drawn;
  }
  draw_faults(fault_dice, sim::drive_scenario(drawn.engine, drawn.scenario), drawn);
  drawn.problem = sim::find_problem(drawn.engine, drawn.scenario).value_or("");
  return drawn;
}

Case draw_learn_case(std::uint64_t seed, bool& cranking) {
  Case drawn;
  Dice run_dice(seed, 20);
  Dice noise_dice(seed, 21);
  take_engine(seed, drawn);
  if (drawn.problem.empty()) {
    cranking = draw_learn_run(run_dice, drawn);
    draw_noise(noise_dice, drawn);
    for (sim::CamSensor& cam : drawn.scenario.cams) {
      cam.phaser.clear();  // parked, as while cranking and warming up
    }
    drawn.problem = sim::find_problem(drawn.engine, drawn.scenario).value_or("");
  }
  return drawn;
}

Case draw_tdc_case(std::uint64_t seed) {
  Case drawn;
  Dice run_dice(seed, 30);
  Dice noise_dice(seed, 31);
  take_engine(seed, drawn);
  if (drawn.problem.empty()) {
    draw_run_down(run_dice, drawn);
    draw_noise(noise_dice, drawn);
    for (sim::CamSensor& cam : drawn.scenario.cams) {
      cam.phaser.clear();
    }
    drawn.problem = sim::find_problem(drawn.engine, drawn.scenario).value_or("");
  }
  return drawn;
}

}  // namespace cw::campaign
