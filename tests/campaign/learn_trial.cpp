#include "campaign/learn_trial.hpp"

#include <algorithm>
#include <cmath>
#include <ostream>

#include "campaign/tally.hpp"
#include "campaign/text.hpp"
#include "config/engine_file.hpp"
#include "geometry/angle.hpp"
#include "geometry/tooth_cycle.hpp"
#include "simulate/sensors.hpp"

namespace cw::campaign {

namespace {

// The simulator's channels as `learn` gets them: in another order, D0, D1, ...
std::vector<learn::Channel> anonymous(const sim::Simulation& simulation, Dice& dice, std::vector<std::string>& names) {
  std::vector<std::size_t> order(simulation.channels.size());
  for (std::size_t i = 0; i < order.size(); ++i) {
    order[i] = i;
  }
  dice.shuffle(order);
  std::vector<learn::Channel> channels(order.size());
  names.resize(order.size());
  for (std::size_t i = 0; i < order.size(); ++i) {
    names[i] = "D" + std::to_string(order[i]);
    channels[order[i]].name = names[i];
  }
  for (const sim::SimEdge& edge : simulation.edges) {
    learn::Channel& channel = channels[order[edge.channel]];
    (edge.rising ? channel.rising_ns : channel.falling_ns).push_back(edge.t_ns);
  }
  return channels;
}

std::size_t channel_index(const sim::Simulation& simulation, const std::string& name) {
  return static_cast<std::size_t>(std::find(simulation.channels.begin(), simulation.channels.end(), name) -
                                  simulation.channels.begin());
}

learn::Known what_a_user_knows(const Engine& engine) {
  learn::Known known;
  known.cylinders = engine.cylinders;
  if (fires_evenly(engine)) {
    known.firing_order = engine.firing_order;
  }
  known.two_stroke = engine.cycle_deg == deg_per_rev;
  if (engine.reference) {
    known.reference_edge = engine.reference->active_edge;
    if (engine.reference->marks == ReferenceMark::spark) {
      known.advance_deg = engine.reference->advance_deg;
    }
  }
  return known;
}

// Angles of all flanks of one polarity.
std::vector<double> flanks(const sim::Pattern& pattern, bool rising) {
  std::vector<double> angles;
  for (const sim::Mark& mark : pattern.marks) {
    if (mark.rising == rising) {
      angles.push_back(mark.angle_deg);
    }
  }
  return angles;
}

// Crank angles of the wheel's teeth over the cycle, on the flank that `learn` took.
std::vector<double> true_teeth(const LearnRun& run, bool rising) {
  const Engine& engine = run.drawn.engine;
  sim::CrankSensor sensor;
  sensor.duty = run.drawn.scenario.crank.duty;
  sim::Random random(1, 1);
  const sim::Pattern pattern = sim::crank_pattern(engine, sensor, random);
  std::vector<double> teeth;
  for (double turn = 0; turn < engine.cycle_deg; turn += pattern.period_deg) {
    for (const double angle : flanks(pattern, rising)) {
      teeth.push_back(angle + turn);
    }
  }
  return teeth;
}

struct Places {
  std::string words;  // what is wrong; empty: nothing
  double worst_deg = 0;
};

// Each found angle has its true one within `allowed`, both after the marked tooth at `marked_deg`.
Places compare_cam(const learn::FoundCam& found, const LearnRun& run, const CamPattern& cam, double marked_deg) {
  constexpr double play_deg = 1.6;
  const double cycle_deg = run.drawn.engine.cycle_deg;
  const auto sensor = std::find_if(run.drawn.scenario.cams.begin(), run.drawn.scenario.cams.end(),
                                   [&](const sim::CamSensor& one) { return one.name == cam.name; });
  const double late_deg = sensor == run.drawn.scenario.cams.end() ? 0 : sensor->phase_deg;
  const sim::Pattern pattern = sim::cam_pattern(cam, cycle_deg, 0);
  const std::vector<double> rising = flanks(pattern, true);
  const std::vector<double> falling = flanks(pattern, false);
  const std::size_t expected = found.both_edges
                                   ? rising.size() + falling.size()
                                   : (found.edges.front().edge == ActiveEdge::rising ? rising : falling).size();
  if (found.edges.size() != expected) {
    return {"cam " + cam.name + ": " + std::to_string(found.edges.size()) + " edges for " + std::to_string(expected),
            0};
  }
  Places places;
  for (const learn::FoundEdge& edge : found.edges) {
    double nearest = 1e9;
    for (const double angle : edge.edge == ActiveEdge::rising ? rising : falling) {
      nearest =
          std::min(nearest, std::fabs(wrap_signed_deg(angle + late_deg - marked_deg - edge.angle_deg, cycle_deg)));
    }
    places.worst_deg = std::max(places.worst_deg, nearest);
    if (nearest > play_deg + edge.uncertain_deg) {
      places.words = "cam " + cam.name + ": an edge " + fixed(nearest, 1) + " degrees off, told to within " +
                     fixed(edge.uncertain_deg, 1);
    }
  }
  return places;
}

Places compare_offset(const LearnRun& run, double marked_deg) {
  constexpr double play_deg = 1.5;
  const auto& reference = run.learned.reference;
  if (!run.drawn.engine.reference || !reference) {
    return {run.drawn.engine.reference ? "the reference was not found" : "", 0};
  }
  const double period_deg = run.drawn.engine.reference->period_deg;
  if (std::fabs(reference->period_deg - period_deg) > 1) {
    return {"the reference comes every " + fixed(reference->period_deg, 0) + " degrees for " + fixed(period_deg, 0), 0};
  }
  const double off = wrap_signed_deg(run.learned.trigger_offset_deg + marked_deg, period_deg);
  const bool right = std::fabs(off) <= play_deg + reference->at.uncertain_deg;
  return {right ? "" : "the trigger offset is " + fixed(off, 1) + " degrees off", 0};
}

const learn::FoundCam* cam_on(const learn::Learned& learned, const std::string& channel) {
  const auto found = std::find_if(learned.cams.begin(), learned.cams.end(),
                                  [&](const learn::FoundCam& cam) { return cam.channel == channel; });
  return found == learned.cams.end() ? nullptr : &*found;
}

// With the marked tooth at crank angle `marked_deg`.
Places compare_marked(const LearnRun& run, const std::vector<std::string>& names, double marked_deg) {
  Places worst = compare_offset(run, marked_deg);
  const Engine& engine = run.drawn.engine;
  if (run.learned.cams.size() != engine.cams.size()) {
    return {std::to_string(run.learned.cams.size()) + " cams for " + std::to_string(engine.cams.size()), 0};
  }
  for (const CamPattern& cam : engine.cams) {
    const auto* found = cam_on(run.learned, names[channel_index(run.simulation, cam.channel)]);
    if (found == nullptr) {
      return {"cam " + cam.name + " was not found", 0};
    }
    const Places places = compare_cam(*found, run, cam, marked_deg);
    worst.words = places.words.empty() ? worst.words : places.words;
    worst.worst_deg = std::max(worst.worst_deg, places.worst_deg);
  }
  return worst;
}

// Teeth of the file from its reference tooth on against the true ones from `first` on; the worst is that farthest beyond what
// is allowed.
Places compare_teeth(const Engine& file, const learn::FoundWheel& wheel, const std::vector<double>& truth,
                     std::size_t first, double cycle_deg) {
  constexpr double slack_deg = 0.3;
  const ToothCycle cycle = tooth_cycle(file);
  Places places;
  for (std::size_t i = 0; i < truth.size(); ++i) {
    const double there = wrap_deg(truth[(first + i) % truth.size()] - truth[first], cycle_deg);
    const double off = std::fabs(wrap_signed_deg(cycle.teeth[i].wheel_deg - there, cycle_deg));
    const double allowed = slack_deg + wheel.uncertain_deg[i % wheel.uncertain_deg.size()];
    if (off - allowed > places.worst_deg) {
      places = {"tooth " + std::to_string(cycle.teeth[i].number) + " is " + fixed(off, 1) +
                    " degrees off, told to within " + fixed(allowed, 1),
                off - allowed};
    }
  }
  return places;
}

// The best over all teeth that the file's reference tooth can be.
Places compare_all(const LearnRun& run, const Engine& file, const std::vector<std::string>& names) {
  const learn::FoundWheel& wheel = *run.learned.wheel;
  const std::vector<double> truth = true_teeth(run, wheel.edge == ActiveEdge::rising);
  const double cycle_deg = run.drawn.engine.cycle_deg;
  if (tooth_cycle(file).teeth.size() != truth.size()) {
    return {"wheel " + learn::wheel_words(wheel) + ": " + std::to_string(tooth_cycle(file).teeth.size()) +
                " teeth a cycle for " + std::to_string(truth.size()),
            0};
  }
  Places best{"", 1e9};
  Places nearest{"", 1e9};
  for (std::size_t first = 0; first < truth.size(); ++first) {
    const Places teeth = compare_teeth(file, wheel, truth, first, cycle_deg);
    if (!teeth.words.empty()) {
      nearest = teeth.worst_deg < nearest.worst_deg ? teeth : nearest;
      continue;
    }
    const Places places = compare_marked(run, names, truth[first]);
    if (places.words.empty()) {
      return places;
    }
    best = places.worst_deg < best.worst_deg ? places : best;
  }
  if (best.words.empty()) {
    best.words = "the wheel is another: " + learn::wheel_words(wheel) + ": " + nearest.words;
  }
  return best;
}

std::vector<std::string> names_given(const LearnRun& run) {
  Dice dice(run.drawn.seed, 22);
  std::vector<std::string> names;
  anonymous(run.simulation, dice, names);
  return names;
}

}  // namespace

LearnRun run_learn(std::uint64_t seed) {
  LearnRun run;
  run.drawn = draw_learn_case(seed, run.cranking);
  if (!run.drawn.problem.empty()) {
    return run;
  }
  run.simulation = sim::simulate(run.drawn.engine, run.drawn.scenario);
  run.known = what_a_user_knows(run.drawn.engine);
  Dice dice(seed, 22);
  std::vector<std::string> names;
  const std::vector<learn::Channel> channels = anonymous(run.simulation, dice, names);
  if (run.drawn.engine.reference) {
    run.known.reference = names[channel_index(run.simulation, run.drawn.engine.reference->channel)];
  }
  run.learned = learn::learn(channels, run.known);
  if (run.learned.problem.empty()) {
    run.toml = learn::engine_toml(run.learned, run.known, "seed " + std::to_string(seed));
  }
  return run;
}

LearnVerdict judge_learn(const LearnRun& run) {
  LearnVerdict verdict;
  verdict.seed = run.drawn.seed;
  verdict.problem = run.drawn.problem;
  verdict.cranking = run.cranking;
  if (!verdict.problem.empty()) {
    return verdict;
  }
  verdict.wheel = wheel_class_of(run.drawn.engine);
  verdict.cannot_tell = run.learned.problem;
  if (!verdict.cannot_tell.empty()) {
    return verdict;
  }
  const auto parsed = parse_engine(run.toml, "learned");
  if (const auto* error = std::get_if<ConfigError>(&parsed)) {
    verdict.wrong = "not a file that check takes: " + error->message;
    return verdict;
  }
  const auto& file = std::get<Engine>(parsed);
  const std::vector<std::string> names = names_given(run);
  const learn::FoundWheel& wheel = *run.learned.wheel;
  if (wheel.channel != names[channel_index(run.simulation, run.drawn.engine.crank.channel)]) {
    verdict.wrong = "another channel is taken for the wheel";
  } else if (wheel.shaft != run.drawn.engine.crank.shaft) {
    verdict.wrong = "the wheel is put on the other shaft";
  } else if (!wheel.edge_by_choice && wheel.edge != run.drawn.engine.crank.active_edge) {
    verdict.wrong = "the wheel's other edge is called the steadier one";
  } else {
    const Places places = compare_all(run, file, names);
    verdict.wrong = places.words;
    verdict.cam_error_deg = places.words.empty() ? places.worst_deg : 0;
  }
  return verdict;
}

std::string failure_of(const LearnVerdict& verdict) {
  return !verdict.problem.empty() ? verdict.problem : verdict.wrong;
}

namespace {

struct Count {
  std::size_t runs = 0;
  std::size_t right = 0;
  std::size_t wrong = 0;
};

Count count_of(std::span<const LearnVerdict> verdicts, std::optional<WheelClass> wheel, std::optional<bool> cranking) {
  Count count;
  for (const LearnVerdict& one : verdicts) {
    if ((wheel && one.wheel != *wheel) || (cranking && one.cranking != *cranking) || !one.problem.empty()) {
      continue;
    }
    ++count.runs;
    count.wrong += one.wrong.empty() ? 0 : 1;
    count.right += one.wrong.empty() && one.cannot_tell.empty() ? 1 : 0;
  }
  return count;
}

std::string with_bounds(std::size_t hits, std::size_t n) {
  if (n == 0) {
    return "-";
  }
  const Share share = share_of(hits, n);
  return percent(share.value, 1) + " (" + fixed(100 * share.low, 1) + " to " + fixed(100 * share.high, 1) + ")";
}

void print_line(const std::string& name, const Count& count, std::ostream& out) {
  if (count.runs == 0) {
    return;
  }
  const std::size_t told = count.right + count.wrong;
  out << "  " << padded(name, 30) << right(std::to_string(count.runs), 6) << right(std::to_string(count.right), 7)
      << right(std::to_string(count.runs - told), 7) << right(std::to_string(count.wrong), 7) << "   "
      << padded(with_bounds(count.right, count.runs), 24) << with_bounds(count.right, told) << "\n";
}

}  // namespace

void print_report(std::span<const LearnVerdict> verdicts, std::ostream& out) {
  out << "  " << padded("", 30) << "  runs  right  can't  wrong   " << padded("right of all, 95 %", 24)
      << "right of those told\n";
  for (const bool cranking : {false, true}) {
    for (std::size_t i = 0; i < wheel_classes; ++i) {
      const auto wheel = static_cast<WheelClass>(i);
      print_line((cranking ? "cranking, " : "idling, ") + std::string(to_string(wheel)),
                 count_of(verdicts, wheel, cranking), out);
    }
    print_line(cranking ? "cranking, all" : "idling, all", count_of(verdicts, std::nullopt, cranking), out);
  }
  print_line("all", count_of(verdicts, std::nullopt, std::nullopt), out);
  out << "\n";
  for (const LearnVerdict& one : verdicts) {
    const std::string what = failure_of(one);
    if (!what.empty() || !one.cannot_tell.empty()) {
      out << "  --learn --seed " << one.seed << " --verbose   " << (one.cranking ? "cranking, " : "idling, ")
          << to_string(one.wheel) << ": " << (what.empty() ? "can't tell: " + one.cannot_tell : "WRONG: " + what)
          << "\n";
    }
  }
}

std::vector<std::string> missed_targets(std::span<const LearnVerdict> verdicts, const Demands& demands) {
  const Count count = count_of(verdicts, std::nullopt, std::nullopt);
  std::vector<std::string> missed;
  const std::size_t told = count.right + count.wrong;
  if (told > 0 && static_cast<double>(count.right) < demands.learned_least * static_cast<double>(count.runs)) {
    missed.push_back("learned rightly: " + with_bounds(count.right, count.runs) + ", " +
                     percent(demands.learned_least, 0) + " asked for");
  }
  return missed;
}

}  // namespace cw::campaign
