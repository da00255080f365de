#include "simulate/ecu.hpp"

#include <algorithm>
#include <cmath>

#include "geometry/angle.hpp"
#include "simulate/random.hpp"

namespace cw::sim {

namespace {

// Streams of random numbers, apart from those of simulation.cpp.
constexpr std::uint64_t crank_input_stream = 20;
constexpr std::uint64_t latency_stream = 30;
constexpr std::uint64_t bus_stream = 31;
constexpr std::uint64_t stamp_stream = 32;
constexpr std::uint64_t cam_input_stream = 3000;

bool within(const std::vector<TimedStep>& spans, double t_s) {
  return std::any_of(spans.begin(), spans.end(),
                     [t_s](const TimedStep& span) { return t_s >= span.from_s && t_s < span.to_s; });
}

bool within(const std::vector<EcuSpan>& spans, double t_s) {
  return std::any_of(spans.begin(), spans.end(),
                     [t_s](const EcuSpan& span) { return t_s >= span.from_s && t_s < span.to_s; });
}

double sum_at(const std::vector<TimedStep>& steps, double t_s) {
  double sum = 0;
  for (const TimedStep& step : steps) {
    sum += t_s >= step.from_s && t_s < step.to_s ? step.value : 0.0;
  }
  return sum;
}

// A list by time that is asked in order of time.
template <class Entry>
class Latest {
 public:
  explicit Latest(const std::vector<Entry>& entries) : entries_(entries) {}
  // The last entry at or before `t_s`; nullptr before the first.
  const Entry* at(double t_s) {
    while (next_ < entries_.size() && time_of(entries_[next_]) <= t_s) {
      ++next_;
    }
    return next_ > 0 ? &entries_[next_ - 1] : nullptr;
  }

 private:
  static double time_of(const EcuReading& reading) { return reading.t_s; }
  static double time_of(const EcuMoment& moment) { return static_cast<double>(moment.t_ns) * 1e-9; }
  const std::vector<Entry>& entries_;
  std::size_t next_ = 0;
};

double table_at(const std::vector<AdvancePoint>& table, double rpm) {
  if (rpm <= table.front().rpm) {
    return table.front().deg;
  }
  for (std::size_t i = 1; i < table.size(); ++i) {
    if (rpm < table[i].rpm) {
      const double share = (rpm - table[i - 1].rpm) / (table[i].rpm - table[i - 1].rpm);
      return table[i - 1].deg + share * (table[i].deg - table[i - 1].deg);
    }
  }
  return table.back().deg;
}

double phaser_at(const std::vector<PhaserPoint>& points, double t_s) {
  PhaseTrack track;
  for (const PhaserPoint& point : points) {
    track.add_point(point.t_s, point.deg);
  }
  return points.empty() ? 0 : track.at({t_s, 0, 0});
}

void disturb_input(Wire& wire, const EcuCounter& counter, Random random) {
  for (Toggle& toggle : wire.toggles) {
    toggle.t_s += counter.delay_us * 1e-6;
    if (counter.jitter_ns > 0) {
      toggle.t_s = std::max(0.0, toggle.t_s + counter.jitter_ns * 1e-9 * random.normal());
    }
  }
  sort_toggles(wire.toggles);
}

// What it says, by time. Temperatures, voltage and pressure are plausible curves of our own.
class Speaker {
 public:
  Speaker(const Engine& engine, const Scenario& scenario, const EcuHistory& history, const EcuTrouble& trouble)
      : engine_(engine),
        scenario_(scenario),
        trouble_(trouble),
        moments_(history.moments),
        rpm_(history.rpm),
        cam_(history.cam_deg.empty() ? none_ : history.cam_deg.front()) {}

  EcuValues at(double t_s) {
    const Ecu& ecu = scenario_.ecu;
    EcuValues values;
    if (const EcuMoment* moment = moments_.at(t_s)) {
      values.state = moment->state;
      values.losses = moment->losses;
    }
    const EcuReading* speed = rpm_.at(t_s);
    values.rpm = speed != nullptr ? speed->value : 0;
    const double locked_deg = engine_.reference ? engine_.reference->advance_deg : 0.0;
    values.advance_deg =
        ecu.advance_table.empty() ? ecu.advance_deg.value_or(locked_deg) : table_at(ecu.advance_table, values.rpm);
    values.advance_deg += sum_at(trouble_.advance_error, t_s);
    values.spark_cut = within(ecu.spark_cuts, t_s);
    values.fuel_cut = within(ecu.fuel_cuts, t_s) ? 1 : 0;
    values.trigger_offset_deg =
        wrap_deg(engine_.crank.trigger_offset_deg + sum_at(trouble_.offset_deg, t_s), engine_.cycle_deg);
    add_cam(t_s, values);
    add_health(t_s, values);
    return values;
  }

 private:
  void add_cam(double t_s, EcuValues& values) {
    const EcuReading* cam = cam_.at(t_s);
    constexpr double fresh_s = 1;
    if (cam != nullptr && values.state == EcuState::cycle && t_s - cam->t_s < fresh_s) {
      values.cam_deg = cam->value;
    }
    for (const CamSensor& sensor : scenario_.cams) {
      if (!engine_.cams.empty() && sensor.name == engine_.cams.front().name) {
        values.cam_target_deg = phaser_at(sensor.phaser, t_s);
      }
    }
  }
  static void add_health(double t_s, EcuValues& values) {
    constexpr double cold_degc = 20;
    constexpr double warm_degc = 90;
    constexpr double warming_s = 120;
    const double warm = 1 - std::exp(-t_s / warming_s);
    values.coolant_degc = cold_degc + (warm_degc - cold_degc) * warm;
    values.oil_degc = cold_degc + (warm_degc - cold_degc) * warm * warm;
    const bool charging = values.rpm > 500;
    values.battery_v = charging ? 14.1 : values.rpm > 30 ? 10.4 : 12.5;
    values.oil_kpa = std::min(450.0, values.rpm * 0.15);
  }

  const std::vector<EcuReading> none_;
  const Engine& engine_;
  const Scenario& scenario_;
  const EcuTrouble& trouble_;
  Latest<EcuMoment> moments_;
  Latest<EcuReading> rpm_;
  Latest<EcuReading> cam_;
};

// A frame that waits for the bus. What chance does to it is drawn for every slot, whether a frame is sent or not, so that
// a fault changes nothing for the others.
struct Waiting {
  double ready_s = 0;
  double held_s = 0;  // for so long another node's frame has the bus when this one is ready
  double transport_s = 0;
  PackedMessage frame;
};

std::vector<Waiting> frames_ready(const Engine& engine, const Scenario& scenario, const EcuHistory& history,
                                  const EcuTrouble& trouble, double end_s) {
  struct Slot {
    double t_s = 0;
    CanMessage message;
    int page = 0;
  };
  std::vector<Slot> slots;
  const EcuBroadcast& can = *scenario.ecu.can;
  for (const CanLayout layout : can.layouts) {
    for (const CanMessage& message : messages_of(layout)) {
      const double period_s = message.period_ms * 1e-3 * can.period_scale;
      const auto count = static_cast<std::int64_t>(end_s / period_s);
      for (std::int64_t i = 1; i <= count; ++i) {
        slots.push_back({static_cast<double>(i) * period_s, message, static_cast<int>((i - 1) % message.pages)});
      }
    }
  }
  std::stable_sort(slots.begin(), slots.end(), [](const Slot& a, const Slot& b) { return a.t_s < b.t_s; });
  Speaker speaker(engine, scenario, history, trouble);
  Random latency(scenario.seed, latency_stream);
  Random others(scenario.seed, bus_stream);
  Random stamps(scenario.seed, stamp_stream);
  std::vector<Waiting> waiting;
  for (const Slot& slot : slots) {
    Waiting next;
    next.ready_s = slot.t_s + (can.latency_ms + can.latency_jitter_ms * latency.uniform()) * 1e-3 +
                   sum_at(trouble.late_us, slot.t_s) * 1e-6;
    const bool held = others.uniform() < can.bus_load;
    const double rest = others.uniform();
    next.held_s = held ? rest * frame_bits(true) / can.bit_rate : 0;
    next.transport_s = 1e-3 * (can.transport_ms - can.transport_jitter_ms * std::log(1 - stamps.uniform()));
    next.frame = pack(slot.message, slot.page, speaker.at(slot.t_s));
    if (!within(trouble.off, slot.t_s) && !within(trouble.silent, slot.t_s)) {
      waiting.push_back(next);
    }
  }
  std::stable_sort(waiting.begin(), waiting.end(),
                   [](const Waiting& a, const Waiting& b) { return a.ready_s < b.ready_s; });
  return waiting;
}

// In arbitration a recessive bit gives way: the lower identifier wins, and of two with the same first 11 bits the short.
std::uint64_t arbitration_key(const PackedMessage& frame) {
  constexpr unsigned extension_bits = 18;
  return frame.extended ? (std::uint64_t{frame.id} << 1U) + 1 : std::uint64_t{frame.id} << (extension_bits + 1);
}

}  // namespace

Wires behind_input(const Wires& wires, const EcuCounter& counter, const Motion& motion, std::uint64_t seed) {
  Wires own{wires.crank, wires.cams, std::nullopt};
  for (Toggle& toggle : own.crank.toggles) {
    if (counter.threshold_rpm > 0 &&
        std::fabs(state_at(motion, toggle.t_s).speed_deg_s) < counter.threshold_rpm * deg_per_s_per_rpm) {
      toggle.keep = Keep::gone;
    }
  }
  disturb_input(own.crank, counter, Random(seed, crank_input_stream));
  for (std::size_t i = 0; i < own.cams.size(); ++i) {
    disturb_input(own.cams[i], counter, Random(seed, cam_input_stream + i));
  }
  return own;
}

std::vector<TimedStep> advance_of(const Ecu& ecu, const EcuHistory& history, double end_s) {
  std::vector<TimedStep> steps;
  if (ecu.advance_table.empty()) {
    return steps;
  }
  for (const EcuReading& reading : history.rpm) {
    if (!steps.empty()) {
      steps.back().to_s = reading.t_s;
    }
    steps.push_back({reading.t_s, end_s, table_at(ecu.advance_table, reading.value)});
  }
  return steps;
}

std::vector<TimedStep> quiet_of(const Engine& engine, const Ecu& ecu, const EcuHistory& history, double end_s) {
  // A mark once a cycle wants the cycle known, where there are cams to tell it.
  const bool wants_cycle = !engine.cams.empty() && engine.reference && engine.reference->period_deg >= engine.cycle_deg;
  std::vector<TimedStep> quiet;
  for (std::size_t i = 0; i < history.moments.size(); ++i) {
    const EcuMoment& moment = history.moments[i];
    const bool last = i + 1 == history.moments.size();
    const double to_s = last ? end_s + 1 : static_cast<double>(history.moments[i + 1].t_ns) * 1e-9;
    const bool fires = moment.state == EcuState::cycle || (moment.state == EcuState::revolution && !wants_cycle);
    if (!fires) {
      quiet.push_back({static_cast<double>(moment.t_ns) * 1e-9, to_s, 0});
    }
  }
  if (engine.reference && engine.reference->marks == ReferenceMark::spark) {
    for (const EcuSpan& cut : ecu.spark_cuts) {
      quiet.push_back({cut.from_s, cut.to_s, 0});
    }
  }
  return quiet;
}

std::vector<SimFrame> broadcast(const Engine& engine, const Scenario& scenario, const EcuHistory& history,
                                const EcuTrouble& trouble, double end_s) {
  const EcuBroadcast& can = *scenario.ecu.can;
  std::vector<Waiting> waiting = frames_ready(engine, scenario, history, trouble, end_s);
  std::vector<SimFrame> frames;
  double free_s = 0;  // from when the bus is free of this ECU's frames
  for (std::size_t i = 0; i < waiting.size(); ++i) {
    // Of those that wait when the bus falls free, the lowest identifier goes first.
    const double now_s = std::max(waiting[i].ready_s, free_s);
    std::size_t first = i;
    for (std::size_t j = i + 1; j < waiting.size() && waiting[j].ready_s <= now_s; ++j) {
      first = arbitration_key(waiting[j].frame) < arbitration_key(waiting[first].frame) ? j : first;
    }
    const auto at = [&](std::size_t index) { return waiting.begin() + static_cast<std::ptrdiff_t>(index); };
    std::rotate(at(i), at(first), at(first + 1));
    const Waiting& next = waiting[i];
    const double from_s = next.ready_s >= free_s ? next.ready_s + next.held_s : free_s;
    free_s = from_s + frame_bits(next.frame.extended) / can.bit_rate;
    const double stamp_s = can.clock_offset_s + free_s * (1 + can.clock_skew_ppm * 1e-6) + next.transport_s;
    frames.push_back({std::llround(stamp_s * 1e6), next.frame.id, next.frame.extended, next.frame.data});
  }
  std::stable_sort(frames.begin(), frames.end(),
                   [](const SimFrame& a, const SimFrame& b) { return a.stamp_us < b.stamp_us; });
  return frames;
}

}  // namespace cw::sim
