#include <algorithm>
#include <cmath>
#include <optional>

#include "campaign/draw.hpp"
#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"

namespace cw::campaign {

namespace {

using sim::Fault;
using sim::FaultKind;

// Faults are drawn only where an observer can be expected to hold a position: the crank above 60 rpm at every instant
// since at least three cycles. With teeth more than 36 degrees apart, above 350 rpm: as published, a cranked engine's
// speed swings by a factor of 2.6 within a firing, more than the 2 by which a missed tooth lengthens an interval.
double slow_speed_deg_s(const Engine& engine) {
  constexpr double coarse_deg = 36;
  return (tooth_cycle(engine).mean_step_deg() > coarse_deg ? 350 : 60) * deg_per_s_per_rpm;
}
constexpr double cycle_deg = 720;
constexpr double apart_cycles = 14;  // between faults: more than the eight cycles over which deviations are judged

struct Window {
  double from_s = 0;
  double to_s = 0;
  double from_deg = 0;
  double to_deg = 0;
};

std::vector<Window> windows_of(const sim::Motion& motion, double slow_deg_s) {
  std::vector<Window> windows;
  std::optional<Window> open;
  for (const sim::Knot& knot : motion) {
    if (knot.speed_deg_s < slow_deg_s) {
      if (open) {
        windows.push_back(*open);
        open.reset();
      }
      continue;
    }
    if (!open) {
      open = Window{knot.t_s, knot.t_s, knot.crank_deg, knot.crank_deg};
    }
    open->to_s = knot.t_s;
    open->to_deg = knot.crank_deg;
  }
  if (open) {
    windows.push_back(*open);
  }
  return windows;
}

// What a kind of fault needs around it, in cycles.
struct Room {
  double before = 3;    // since the crank began to turn
  double during = 1;    // that the fault itself takes
  double after = 3;     // until the window ends
  bool to_end = false;  // it lasts to the end of the run: nothing else after it
};

struct Planned {
  Fault fault;
  Room room;
};

double local_cycle_s(const sim::Motion& motion, double t_s) {
  constexpr double slow_deg_s = 60 * deg_per_s_per_rpm;
  return cycle_deg / std::max(sim::state_at(motion, t_s).speed_deg_s, slow_deg_s);
}

// On a wheel of even teeth a slip is seen by the cams alone, and by a whole tooth looks like a tooth missed.
FaultKind draw_crank_kind(Dice& dice, const Engine& engine) {
  const FaultKind kind =
      dice.pick({FaultKind::extra_edge, FaultKind::extra_edge, FaultKind::missed_edge, FaultKind::missed_edge,
                 FaultKind::noise_burst, FaultKind::crank_signal_stopped, FaultKind::crank_wheel_step});
  const bool even = tooth_cycle(engine).repeat_teeth == 1;
  return even && kind == FaultKind::crank_wheel_step ? FaultKind::missed_edge : kind;
}

std::optional<FaultKind> draw_kind(Dice& dice, const Engine& engine) {
  const bool cams = !engine.cams.empty();
  const double share = dice.range(0, 1);
  if (share < 0.45 || (!cams && !engine.reference)) {
    return draw_crank_kind(dice, engine);
  }
  if (share < 0.8) {
    if (!cams) {
      return std::nullopt;
    }
    // What turns with the crank has no belt to jump.
    const bool belt = std::any_of(engine.cams.begin(), engine.cams.end(),
                                  [](const CamPattern& cam) { return cam.gear_teeth.has_value(); });
    const FaultKind kind = dice.pick({FaultKind::cam_edge_missing, FaultKind::cam_extra_edge,
                                      FaultKind::cam_signal_dead, FaultKind::cam_step, FaultKind::cam_step});
    return kind == FaultKind::cam_step && !belt ? FaultKind::cam_edge_missing : kind;
  }
  if (!engine.reference) {
    return std::nullopt;
  }
  return dice.pick({FaultKind::reference_error, FaultKind::reference_delay, FaultKind::reference_missing});
}

void draw_missed(Dice& dice, Planned& plan) {
  Fault& fault = plan.fault;
  fault.one_edge = dice.chance(0.5);
  const double form = dice.range(0, 1);
  if (form < 0.3) {
    fault.count = 2;
  } else if (form < 0.55) {
    fault.every_cycles = dice.whole(1, 5);
    plan.room.during = fault.every_cycles * dice.whole(3, 8);
    plan.room.after = 4;
  }
}

Planned draw_tooth_fault(Dice& dice, FaultKind kind, const Engine& engine) {
  Planned plan;
  Fault& fault = plan.fault;
  fault.kind = kind;
  if (kind == FaultKind::missed_edge) {
    draw_missed(dice, plan);
  } else if (kind == FaultKind::extra_edge) {
    fault.fraction = dice.range(0.03, 0.97);
    fault.width_us = dice.log_range(2, 50);
  } else if (kind == FaultKind::noise_burst) {
    fault.count = dice.whole(3, 25);
    fault.span_deg = dice.range(10, 90);
    fault.width_us = dice.log_range(2, 20);
  } else if (kind == FaultKind::crank_signal_stopped) {
    plan.room.after = 6;
    if (dice.chance(0.25)) {
      plan.room.to_end = true;
    } else {
      fault.for_s = dice.log_range(0.3, 4);
    }
  } else {  // the wheel slips on the crank
    fault.deg = dice.sign() * dice.range(6, 30);
    plan.room = {8, 24, 0, true};
  }
  (void)engine;
  return plan;
}

Planned draw_cam_fault(Dice& dice, FaultKind kind, const Engine& engine) {
  Planned plan;
  Fault& fault = plan.fault;
  fault.kind = kind;
  auto index = static_cast<std::size_t>(dice.whole(0, static_cast<int>(engine.cams.size()) - 1));
  while (kind == FaultKind::cam_step && !engine.cams[index].gear_teeth) {
    index = (index + 1) % engine.cams.size();
  }
  fault.cam = engine.cams[index].name;
  if (kind == FaultKind::cam_edge_missing) {
    fault.one_edge = dice.chance(0.5);
    plan.room = {4, 2, 6, false};
  } else if (kind == FaultKind::cam_extra_edge) {
    fault.fraction = dice.range(0.05, 0.95);
    fault.width_us = dice.log_range(5, 100);
    plan.room = {4, 2, 6, false};
  } else if (kind == FaultKind::cam_signal_dead) {
    plan.room = {4, dice.range(6, 30), 6, false};
    plan.room.to_end = dice.chance(0.3);
  } else {
    const double size = dice.range(0, 1);
    fault.teeth = dice.sign() * (size < 0.6 ? 1 : size < 0.9 ? 2 : 3);
    if (dice.chance(0.4)) {
      fault.cam.clear();  // the belt that drives all cams
    }
    plan.room = {8, 24, 0, true};
  }
  return plan;
}

Planned draw_reference_fault(Dice& dice, FaultKind kind) {
  Planned plan;
  plan.fault.kind = kind;
  plan.room = {12, 24, 0, true};
  if (kind == FaultKind::reference_error) {
    plan.fault.deg = dice.sign() * dice.range(1.8, 8);
  } else if (kind == FaultKind::reference_delay) {
    plan.fault.us = dice.range(80, 800);
  } else {
    plan.room = {14, dice.range(8, 30), 8, false};
  }
  return plan;
}

Planned draw_fault(Dice& dice, FaultKind kind, const Engine& engine) {
  switch (kind) {
    case FaultKind::cam_edge_missing:
    case FaultKind::cam_extra_edge:
    case FaultKind::cam_signal_dead:
    case FaultKind::cam_step:
      return draw_cam_fault(dice, kind, engine);
    case FaultKind::reference_error:
    case FaultKind::reference_delay:
    case FaultKind::reference_missing:
      return draw_reference_fault(dice, kind);
    default:
      return draw_tooth_fault(dice, kind, engine);
  }
}

// A taken stretch of the run, in seconds and unwrapped degrees.
struct Taken {
  double from_deg = 0;
  double to_deg = 0;
};

// Reference faults are judged in degrees, so the speed must not change much while they are measured, and a delay must
// amount to clearly more than the 1 degree from which deviations are reported (engine file, tdc_warning_deg).
bool speed_suits(const Planned& plan, const sim::Motion& motion, double t_s) {
  if (plan.fault.kind != FaultKind::reference_delay && plan.fault.kind != FaultKind::reference_error) {
    return true;
  }
  const double now = sim::state_at(motion, t_s).speed_deg_s;
  bool steady = true;
  for (int cycle = 1; cycle <= 20; ++cycle) {
    const double later = sim::state_at(motion, t_s + cycle * cycle_deg / now).speed_deg_s;
    steady = steady && std::fabs(later / now - 1) < 0.1;
  }
  constexpr double least_deg = 1.6;
  const bool enough = plan.fault.kind == FaultKind::reference_error || plan.fault.us * 1e-6 * now >= least_deg;
  return enough && steady;
}

bool place(Dice& dice, const sim::Motion& motion, const std::vector<Window>& windows, std::vector<Taken>& taken,
           Planned& plan) {
  constexpr int tries_max = 60;
  for (int i = 0; i < tries_max; ++i) {
    const Window& window = windows[static_cast<std::size_t>(dice.whole(0, static_cast<int>(windows.size()) - 1))];
    const double t_s = dice.range(window.from_s, window.to_s);
    const double deg = sim::state_at(motion, t_s).crank_deg;
    double end_deg = deg + plan.room.during * cycle_deg;
    if (plan.fault.for_s) {
      end_deg = std::max(end_deg, sim::state_at(motion, t_s + *plan.fault.for_s).crank_deg);
    }
    const bool fits = deg >= window.from_deg + plan.room.before * cycle_deg &&
                      end_deg + plan.room.after * cycle_deg <= window.to_deg && speed_suits(plan, motion, t_s);
    const double reach_deg = plan.room.to_end ? motion.back().crank_deg : end_deg;
    const bool free = std::none_of(taken.begin(), taken.end(), [&](const Taken& other) {
      return deg < other.to_deg + apart_cycles * cycle_deg && reach_deg > other.from_deg - apart_cycles * cycle_deg;
    });
    if (!fits || !free) {
      continue;
    }
    plan.fault.at_s = t_s;
    if (!plan.room.to_end && !plan.fault.for_s && plan.room.during > 2) {
      const auto until_s = sim::time_at(motion, end_deg, t_s);
      plan.fault.for_s = until_s.value_or(t_s + plan.room.during * local_cycle_s(motion, t_s)) - t_s;
    }
    taken.push_back({deg, reach_deg});
    return true;
  }
  return false;
}

}  // namespace

void draw_faults(Dice& dice, const sim::Motion& motion, Case& drawn) {
  const std::vector<Window> windows = windows_of(motion, slow_speed_deg_s(drawn.engine));
  const int wanted = dice.chance(0.25) ? 0 : dice.whole(1, 3);
  if (windows.empty()) {
    return;
  }
  std::vector<Planned> plans;
  for (int i = 0; i < wanted; ++i) {
    const auto kind = draw_kind(dice, drawn.engine);
    // One of each kind in a run, so that findings and faults pair up without doubt.
    const bool doubled =
        std::any_of(plans.begin(), plans.end(), [&](const Planned& plan) { return kind && plan.fault.kind == *kind; });
    if (kind && !doubled) {
      plans.push_back(draw_fault(dice, *kind, drawn.engine));
    }
  }
  // Those that last to the end first: the others find room before them.
  std::stable_sort(plans.begin(), plans.end(),
                   [](const Planned& a, const Planned& b) { return a.room.to_end && !b.room.to_end; });
  std::vector<Taken> taken;
  for (Planned& plan : plans) {
    if (place(dice, motion, windows, taken, plan)) {
      drawn.scenario.faults.push_back(plan.fault);
    }
  }
  std::stable_sort(drawn.scenario.faults.begin(), drawn.scenario.faults.end(),
                   [](const Fault& a, const Fault& b) { return a.at_s.value_or(0) < b.at_s.value_or(0); });
}

}  // namespace cw::campaign
