#include "cli/offset.hpp"

#include <utility>

#include "cli/terminal.hpp"
#include "compare/steady_cycles.hpp"
#include "geometry/angle.hpp"

namespace cw {

namespace {

class CycleObserver final : public Observer {
 public:
  void on_finding(const Finding& /*finding*/) override {}
  void on_cycle(const Cycle& cycle) override { cycles.take(cycle); }
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& change) override { cycles.take(change); }

  SteadyCycles cycles;
};

std::optional<std::string> problem_of(const OffsetOptions& options) {
  const std::size_t readings = options.seen_deg.size();
  if (options.input.inputs.empty() == (readings == 0)) {
    return "offset: expected a session, or files, or readings of a timing light (--seen DEG --commanded DEG), found " +
           std::string(readings == 0 ? "none of them" : "both");
  }
  if (readings == 0 && !options.commanded_deg.empty()) {
    return "--commanded: expected with --seen";
  }
  if (readings > light_readings_max) {
    return "--seen: expected at most " + std::to_string(light_readings_max) + " readings, found " +
           std::to_string(readings);
  }
  if (readings > 0 && options.commanded_deg.size() != 1 && options.commanded_deg.size() != readings) {
    return "--commanded: expected one for all readings or one for each --seen (" + std::to_string(readings) +
           "), found " + std::to_string(options.commanded_deg.size());
  }
  if (!options.rpm.empty() && options.rpm.size() != readings) {
    return "--rpm: expected one for each --seen (" + std::to_string(readings) + "), or none, found " +
           std::to_string(options.rpm.size());
  }
  if (options.entry_deg && !options.raising) {
    return "--entry: expected --raising retards or --raising advances with it: which way does this ECU count?";
  }
  return std::nullopt;
}

OffsetResult of_light(const OffsetOptions& options) {
  OffsetResult result;
  result.from_light = true;
  for (std::size_t i = 0; i < options.seen_deg.size(); ++i) {
    LightReading reading;
    reading.seen_deg = options.seen_deg[i];
    reading.commanded_deg = options.commanded_deg[options.commanded_deg.size() == 1 ? 0 : i];
    if (!options.rpm.empty()) {
      reading.rpm = options.rpm[i];
    }
    result.readings.push_back(reading);
  }
  result.light_within_deg = options.light_within_deg;
  result.fit = fit_light(result.readings, options.light_within_deg);
  result.basis = options.basis;
  result.cycle_deg = options.two_stroke ? deg_per_rev : 2 * deg_per_rev;
  result.cycle_known = options.two_stroke;
  return result;
}

OffsetResult of_session(const Engine& engine, const SteadyCycles& cycles) {
  OffsetResult result;
  result.holds = cycles.holds();
  result.fit = fit_offset(result.holds);
  result.basis = engine.crank.offset_basis;
  result.engine_name = engine.name;
  result.cycle_deg = engine.cycle_deg;
  result.cycle_known = engine.reference->period_deg >= engine.cycle_deg && cycles.cycle_known();
  result.cycles = cycles.cycles();
  const auto angle = result.fit.offset_deg ? result.fit.offset_deg : result.fit.deviation_deg;
  result.counting = angle ? counting_error(engine, *angle, result.cycle_known) : std::nullopt;
  return result;
}

bool gives_number(OffsetVerdict verdict) {
  return verdict == OffsetVerdict::cannot_tell_yet || verdict == OffsetVerdict::no_error ||
         verdict == OffsetVerdict::angle || verdict == OffsetVerdict::delay ||
         verdict == OffsetVerdict::angle_and_delay;
}

}  // namespace

const std::map<std::string, OffsetBasis>& offset_basis_names() {
  static const std::map<std::string, OffsetBasis> names = {{"piston-stop", OffsetBasis::piston_stop},
                                                           {"verified-mark", OffsetBasis::verified_mark},
                                                           {"unverified", OffsetBasis::unverified}};
  return names;
}

std::optional<OffsetEntry> entry_of(const OffsetOptions& options, const OffsetResult& result) {
  const bool physical = result.basis != OffsetBasis::unverified;
  if (!options.entry_deg || !options.raising || !physical || !gives_number(result.fit.verdict)) {
    return std::nullopt;
  }
  OffsetEntry entry;
  entry.now_deg = *options.entry_deg;
  entry.raising = *options.raising;
  const bool apart = result.fit.offset_deg && result.fit.verdict != OffsetVerdict::cannot_tell_yet;
  const Estimate late = apart ? *result.fit.offset_deg : *result.fit.deviation_deg;
  if (!apart) {
    entry.only_at_rpm = result.fit.mean_rpm;
  }
  entry.new_deg = {corrected_entry_deg(entry.now_deg, late.value, entry.raising, result.cycle_deg), late.half_width};
  return entry;
}

std::optional<Estimate> delay_entry_of(const OffsetOptions& options, const OffsetResult& result) {
  const OffsetVerdict verdict = result.fit.verdict;
  const bool told = verdict == OffsetVerdict::delay || verdict == OffsetVerdict::angle_and_delay;
  if (!options.delay_entry_us || !told || !result.fit.delay_us || result.basis == OffsetBasis::unverified) {
    return std::nullopt;
  }
  return Estimate{*options.delay_entry_us + result.fit.delay_us->value, result.fit.delay_us->half_width};
}

ExitCode offset(const OffsetOptions& options) {
  Terminal terminal;
  if (const auto problem = problem_of(options)) {
    terminal.complain("crankwitness: " + *problem);
    return ExitCode::usage;
  }
  OffsetResult result;
  ExitCode code = ExitCode::done;
  if (!options.seen_deg.empty()) {
    result = of_light(options);
  } else {
    CycleObserver observer;
    Engine engine;
    code = replay_to(options.input, [&](const Engine& read) -> std::variant<Observer*, std::string> {
      if (!read.reference || !read.reference->advance_from.empty()) {
        return "offset: expected an engine file with a [reference] at locked advance (advance_deg)" +
               std::string(read.reference ? ", found advance_from" : ", found no [reference]");
      }
      engine = read;
      return &observer;
    });
    if (code == ExitCode::usage || !engine.reference) {
      return code;
    }
    result = of_session(engine, observer.cycles);
  }
  terminal.print(options.json ? offset_json(options, result) : offset_in_words(options, result));
  return code;
}

}  // namespace cw
