#include "cli/tdc_command.hpp"

#include <algorithm>
#include <cmath>
#include <sstream>
#include <variant>

#include "cli/channel_names.hpp"
#include "cli/check_page.hpp"
#include "cli/raw_edges.hpp"
#include "cli/terminal.hpp"
#include "compare/tdc_from_crank.hpp"
#include "geometry/angle.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

class CycleList final : public Observer {
 public:
  void on_finding(const Finding& /*finding*/) override {}
  void on_cycle(const Cycle& cycle) override { cycles.push_back(cycle); }
  void on_second(const Second& /*second*/) override {}
  void on_state(const StateChange& /*change*/) override {}

  std::vector<Cycle> cycles;
};

// Active edges of the crank, the known delay taken off; an error line when they can't be had.
std::variant<std::vector<std::int64_t>, std::string> crank_edges(const ReplayOptions& options, const Engine& engine) {
  const auto names = channel_names(options.channels, engine);
  if (const auto* error = std::get_if<std::string>(&names)) {
    return *error;
  }
  auto read = read_raw_edges(options.inputs);
  if (const auto* error = std::get_if<std::string>(&read)) {
    return *error;
  }
  std::vector<std::string> wanted = {engine.crank.channel};
  for (const auto& [ours, device] : std::get<ChannelNames>(names)) {
    if (ours == engine.crank.channel) {
      wanted.push_back(device);
    }
  }
  for (const learn::Channel& channel : std::get<RawEdges>(read).channels) {
    if (std::find(wanted.begin(), wanted.end(), channel.name) == wanted.end()) {
      continue;
    }
    auto edges = engine.crank.active_edge == ActiveEdge::rising ? channel.rising_ns : channel.falling_ns;
    for (std::int64_t& t_ns : edges) {
      t_ns -= std::llround(engine.crank.delay_us * 1e3);
    }
    return edges;
  }
  return "no edges on the crank's channel " + engine.crank.channel;
}

std::string one_decimal(double value) {
  return plain_number(std::round(value * 10) / 10);
}

void say_numbers(const TdcFromCrank& told, const Engine& engine, Page& page) {
  const double offset = wrap_deg(engine.crank.trigger_offset_deg + told.deg, engine.cycle_deg);
  page.entry("TDC", "between " + one_decimal(told.deg - told.half_width_deg) + "° and " +
                        one_decimal(told.deg + told.half_width_deg) + "° after where the engine file has it (" +
                        std::to_string(told.run_down_windows) + " looks at a run-down from " +
                        plain_number(std::round(told.rpm_most)) + " to " + plain_number(std::round(told.rpm_least)) +
                        " rpm).");
  page.entry("Offset", "the trigger offset is then " + one_decimal(offset) + "° to within " +
                           one_decimal(told.half_width_deg) + "°, or that and a multiple of " +
                           plain_number(told.modulo_deg) +
                           "°: dead centres of other cylinders look alike, and a cylinder's compression stroke is not "
                           "told from another's.");
}

void say_cautions(Page& page) {
  page.entry("Basis",
             "the work of the gas, which is even about each top dead centre. Tried on simulated engines only "
             "(crankwitness-campaign --tdc); pumping against a closed throttle, a weak cylinder or a clutch that "
             "drags may move it further than the interval says. That the fuel was cut is assumed, not seen.");
  page.entry("Use",
             "as a check that a number is not grossly wrong. Not to be entered: that takes a piston stop or a light "
             "on a verified mark, and after it the checks cranking with fuel off, at idle, at two speeds unloaded. "
             "A wrong sign or turn can break starters, backfire or melt pistons.");
}

std::string words_of(const TdcFromCrank& told, const Engine& engine) {
  std::ostringstream out;
  Page page(terminal_look(), out);
  if (told.why_not.empty()) {
    say_numbers(told, engine, page);
  } else {
    page.entry("TDC", "can't be told: " + told.why_not + ".");
  }
  if (told.cranking) {
    page.entry("Cranking",
               "slowest " + one_decimal(told.cranking->deg) + "° after the file's TDC at " +
                   plain_number(std::round(told.cranking->rpm)) +
                   " rpm. A starter makes that come before TDC, by up to tens of degrees: TDC lies after it.");
  }
  if (told.why_not.empty()) {
    say_cautions(page);
  }
  return out.str();
}

std::string json_of(const TdcFromCrank& told, const Engine& engine) {
  Json all = {{"told", told.why_not.empty()}, {"why_not", told.why_not}, {"modulo_deg", told.modulo_deg}};
  all["basis"] = "run-down, tried on simulated engines only: not a number to enter";
  if (told.why_not.empty()) {
    all["tdc_deg"] = told.deg;
    all["half_width_deg"] = told.half_width_deg;
    all["trigger_offset_deg"] = wrap_deg(engine.crank.trigger_offset_deg + told.deg, engine.cycle_deg);
    all["run_down_windows"] = told.run_down_windows;
  }
  if (told.cranking) {
    all["cranking_slow_spot_deg"] = told.cranking->deg;
  }
  return dump_json(all) + "\n";
}

}  // namespace

ExitCode tdc_command(const ReplayOptions& options) {
  Terminal terminal;
  CycleList list;
  Engine engine;
  const ExitCode code = replay_to(options, [&](const Engine& read) -> std::variant<Observer*, std::string> {
    engine = read;
    return &list;
  });
  if (code == ExitCode::usage || (code == ExitCode::bad_input && list.cycles.empty())) {
    return code;
  }
  const auto edges = crank_edges(options, engine);
  if (const auto* error = std::get_if<std::string>(&edges)) {
    terminal.complain("crankwitness: " + *error);
    return ExitCode::bad_input;
  }
  const auto runs = locate_teeth(std::get<std::vector<std::int64_t>>(edges), list.cycles, engine);
  const TdcFromCrank told = tdc_from_crank(runs, engine);
  terminal.print(options.json ? json_of(told, engine) : words_of(told, engine));
  return told.why_not.empty() ? code : ExitCode::nothing;
}

}  // namespace cw
