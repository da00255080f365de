#include "cli/command_line.hpp"

#include <CLI/CLI.hpp>
#include <filesystem>
#include <functional>
#include <iostream>
#include <map>
#include <string>
#include <vector>

#include "cli/baseline.hpp"
#include "cli/check.hpp"
#include "cli/engine_text.hpp"
#include "cli/exit_code.hpp"
#include "cli/history.hpp"
#include "cli/learn_command.hpp"
#include "cli/offset.hpp"
#include "cli/prune.hpp"
#include "cli/recover.hpp"
#include "cli/replay.hpp"
#include "cli/report_command.hpp"
#include "cli/run.hpp"
#include "cli/status.hpp"
#include "cli/tdc_command.hpp"
#include "cli/version.hpp"
#include "simulate/output_files.hpp"
#include "simulate/scenario_file.hpp"

namespace cw {

namespace {

const std::map<std::string, Severity>& severity_names() {
  static const std::map<std::string, Severity> names = {{"warning", Severity::warning}, {"fault", Severity::fault}};
  return names;
}

constexpr const char* footer =
    "Exit codes: 0 done; 1 findings as grave as --fail-on; 2 command line or engine file wrong; 3 input can't be read\n"
    "to its end; 4 done, but a part of the input or recording is missing; 5 a part of the output can't be written;\n"
    "6 a replay was stopped by a signal; 7 recover found nothing to read, learn nothing convincing.\n\n"
    "crankwitness only listens. It is an observer, not a safety device.";

void add_fail_on(CLI::App* command, std::optional<Severity>& fail_on) {
  command->add_option("--fail-on", fail_on, "Exit with 1 when there is a finding this grave: warning or fault")
      ->transform(CLI::CheckedTransformer(severity_names()));
}

// What is read, by the commands that replay.
CLI::Option* add_input(CLI::App* command, ReplayOptions& options) {
  CLI::Option* input = command->add_option(
      "INPUT", options.inputs, "A session folder, its capture, or files (edge CSV, edge stream, VCD, CAN log)");
  command->add_option("--engine", options.engine,
                      "Engine file; needed for a raw file, for a session instead of its own");
  command->add_option("--channels", options.channels,
                      "crank=D0,cam1=D1: the engine file's channels and what the file calls them; without it as the "
                      "engine file's [[source]] says");
  command->add_flag("--same-clock", options.same_clock, "Several files: one clock stamped them all");
  command
      ->add_option("--shift", options.shifts,
                   "NAME=SECONDS, for example can.log=-12.5: several files: how much is added to the times of one")
      ->allow_extra_args(false);
  return input;
}

void add_replay(CLI::App& app, ReplayOptions& options) {
  CLI::App* command = app.add_subcommand("replay", "Analyse a recorded session, or files of edges and CAN frames");
  add_input(command, options)->required();
  command->add_option("--out", options.out, "New session folder to write");
  command->add_option("--cycles", options.cycles, "New CSV file to write, one row an engine cycle");
  command->add_option("--speed", options.speed, "Times real time; as fast as it goes without it")
      ->check(CLI::PositiveNumber);
  command->add_flag("--json", options.json, "One JSON line a finding, then a summary object, instead of words");
  add_fail_on(command, options.fail_on);
}

void add_offset(CLI::App& app, OffsetOptions& options) {
  CLI::App* command = app.add_subcommand(
      "offset",
      "Trigger offset and signal delay: how wrong, and the number to enter; of a session, files, or a timing light");
  add_input(command, options.input);
  static const std::map<std::string, Raising> ways = {{"retards", Raising::retards}, {"advances", Raising::advances}};
  command->add_option("--entry", options.entry_deg, "Trigger offset that stands in the ECU now, degrees")
      ->check(CLI::Range(-720.0, 720.0));
  command->add_option("--raising", options.raising, "What a greater entry does in this ECU: retards or advances")
      ->transform(CLI::CheckedTransformer(ways));
  command->add_option("--delay-entry", options.delay_entry_us, "Delay compensation that stands in the ECU now, us")
      ->check(CLI::Range(0.0, 10000.0));
  command->add_option("--seen", options.seen_deg, "Timing light: degrees before TDC seen; once for each reading")
      ->allow_extra_args(false)
      ->check(CLI::Range(-360.0, 360.0));
  command
      ->add_option("--commanded", options.commanded_deg,
                   "... and commanded by the ECU, advance locked; one for all readings, or one for each")
      ->allow_extra_args(false)
      ->check(CLI::Range(-360.0, 360.0));
  command->add_option("--rpm", options.rpm, "... at this speed; one for each reading, or none")
      ->allow_extra_args(false)
      ->check(CLI::Range(1.0, 30000.0));
  command
      ->add_option("--light-within", options.light_within_deg,
                   "Each is within so many degrees of the truth; 1 without it")
      ->check(CLI::Range(0.01, 30.0));
  command
      ->add_option("--basis", options.basis,
                   "What the mark that the light shows rests on: piston-stop, verified-mark or "
                   "unverified; unverified without it")
      ->transform(CLI::CheckedTransformer(offset_basis_names()));
  command->add_flag("--two-stroke", options.two_stroke, "With readings of a light: the entry goes from 0 to 360");
  command->add_flag("--json", options.json, "A JSON object instead of words");
}

void add_baseline(CLI::App& app, BaselineOptions& options) {
  CLI::App* command =
      app.add_subcommand("baseline", "Keep what a session was like when it was good, or compare one with that");
  add_input(command, options.input)->required();
  command->add_option("--save", options.save, "New file to write");
  command->add_option("--against", options.against, "File written by --save: what is not as it was then?");
  command->add_flag("--json", options.json, "With --against: a JSON object instead of words");
}

void add_history(CLI::App& app, HistoryOptions& options) {
  CLI::App* command =
      app.add_subcommand("history", "What the sessions in a folder came to, and what changed between them");
  command->add_option("FOLDER", options.folder, "Folder that holds sessions")->required();
  command->add_flag("--json", options.json, "A JSON object a session instead of a table");
}

void add_run(CLI::App& app, RunOptions& options) {
  CLI::App* command = app.add_subcommand("run", "Listen live and record a session");
  command->add_option("ENGINE", options.engine, "Engine file")->required();
  command->add_option(
      "--source", options.sources,
      "DRIVER:ADDRESS, for example serial:/dev/ttyUSB0, tcp:127.0.0.1:7000, socketcan:can0, csv:/run/edges.fifo or "
      "vcd:- (standard input), or - for edge CSV on standard input; instead of the [[source]] of the engine file");
  command->add_option("--baud", options.baud, "Baud rate of serial ports given by --source; 115200 without it");
  command->add_flag("--allow-remote", options.allow_remote,
                    "Addresses given by --source may be of other computers; only this one without it");
  command->add_option("--channels", options.channels,
                      "crank=D0,cam1=D1: the engine file's channels and what the source calls them; without it as the "
                      "engine file's [[source]] says");
  command->add_option("--out", options.out, "New session folder; sessions/<UTC time>-<engine name> without it");
  command
      ->add_option("--serve", options.serve,
                   "Show the live page, status and metrics at this address and port, 127.0.0.1:7200 without them; "
                   "instead of [serve] in the engine file")
      ->expected(0, 1)
      ->type_name("ADDRESS:PORT");
  command->add_flag("--serve-remote", options.serve_remote,
                    "The address of --serve may be reached from other computers; only from this one without it");
  command->add_flag("--json", options.json, "One JSON line a finding, then a summary object, instead of words");
  command->add_flag("--journal", options.journal,
                    "Log lines as the systemd journal takes them; of itself when standard error goes there");
  add_fail_on(command, options.fail_on);
}

void add_prune(CLI::App& app, PruneOptions& options) {
  CLI::App* command =
      app.add_subcommand("prune", "Remove the idle running of old sessions; what bears on warnings and faults stays");
  command->add_option("FOLDER", options.folder, "Folder that holds sessions")->required();
  command->add_option("--keep-days", options.keep_days, "Of sessions that ended longer ago")
      ->check(CLI::PositiveNumber);
  command->add_option("--keep-gib", options.keep_gib, "While all sessions together take more, of the oldest")
      ->check(CLI::PositiveNumber);
  command->add_option("--lead-in-s", options.lead_in_s, "What stays before the evidence of a finding; 30 without it")
      ->check(CLI::NonNegativeNumber);
  command->add_option("--after-s", options.after_s, "... and after it; 10 without it")->check(CLI::NonNegativeNumber);
  command->add_flag("--dry-run", options.dry_run, "Only list what would be removed");
}

void add_report(CLI::App& app, ReportOptions& options) {
  CLI::App* command =
      app.add_subcommand("report", "Write one HTML page about a recorded session, to read and to send on");
  command->add_option("SESSION", options.session, "A session folder")->required();
  command->add_option("--out", options.out, "The page to write; report.html in the session's folder without it");
}

void add_status(CLI::App& app, StatusOptions& options) {
  CLI::App* command = app.add_subcommand("status", "One glance at a crankwitness that runs with --serve or [serve]");
  command->add_option("ADDRESS", options.address, "ADDRESS:PORT of its page; 127.0.0.1:7200 without it");
  command->add_flag("--json", options.json, "What it says as JSON (status.schema.json) instead of words");
}

void add_recover(CLI::App& app, RecoverOptions& options) {
  CLI::App* command = app.add_subcommand(
      "recover", "Write what can be read of a damaged session as a new one, and say what is missing");
  command->add_option("INPUT", options.input, "A session folder, a capture folder, or one segment (.cwr)")->required();
  command->add_option("--out", options.out, "New session folder to write")->required();
}

void add_learn(CLI::App& app, LearnOptions& options) {
  CLI::App* command = app.add_subcommand("learn", "Propose an engine file from raw edges: as found, not as correct");
  command->add_option("INPUT", options.inputs, "A session folder, or files (edge CSV, edge stream, VCD)")->required();
  command->add_option("--cylinders", options.cylinders, "How many the engine has: lets its ripple be told from gaps")
      ->check(CLI::Range(1, 16));
  command->add_option("--firing-order", options.firing_order, "For example 1,3,4,2; a placeholder without it");
  command->add_flag("--two-stroke", options.two_stroke, "A cycle is one turn");
  command->add_option("--wheel", options.wheel,
                      "Channel of the wheel that the ECU counts; the one with most edges without it");
  command->add_option("--reference", options.reference,
                      "Channel of an ECU output that marks TDC1, or the spark of cylinder 1 with --advance");
  command->add_option("--advance", options.advance_deg, "Degrees before TDC1 at which the ECU is locked to spark")
      ->check(CLI::Range(-60, 90));
  command
      ->add_option("--reference-edge", options.reference_edge,
                   "rising or falling: the edge of the output that marks; the steadier one without it")
      ->check(CLI::IsMember({"rising", "falling"}));
  command
      ->add_option("--trigger-offset", options.trigger_offset_deg,
                   "Trigger offset measured otherwise, degrees; cam angles are then counted from TDC1")
      ->check(CLI::Range(0.0, 720.0));
  command->add_option("--out", options.out, "New file to write; standard output without it");
  command->add_flag("--json", options.json, "One JSON object: what was found, how sure, and the file");
}

void add_tdc(CLI::App& app, ReplayOptions& options) {
  CLI::App* command = app.add_subcommand("tdc", "Bracket top dead centre from a run-down; a check, no number to enter");
  command->add_option("INPUT", options.inputs, "A session folder, or files (edge CSV, edge stream, VCD)")->required();
  command->add_option("--engine", options.engine,
                      "Engine file; needed for a raw file, for a session instead of its own");
  command->add_option("--channels", options.channels, "As for replay");
  command->add_flag("--json", options.json, "One JSON object instead of words");
}

ExitCode simulate_command(const std::string& scenario_path, const std::string& out) {
  const auto refuse = [](ExitCode code, const std::string& why) {
    std::cerr << "crankwitness: " << why << '\n';
    return code;
  };
  const auto scenario = sim::load_scenario(scenario_path);
  if (const auto* error = std::get_if<sim::ScenarioError>(&scenario)) {
    return refuse(ExitCode::usage, error->message);
  }
  const auto& sound = std::get<sim::Scenario>(scenario);
  const auto engine = read_engine_text(sound.engine_path);
  if (const auto* error = std::get_if<std::string>(&engine)) {
    return refuse(ExitCode::usage, *error);
  }
  const Engine& described = std::get<EngineText>(engine).engine;
  if (const auto problem = sim::find_problem(described, sound)) {
    return refuse(ExitCode::usage, scenario_path + ": " + *problem);
  }
  std::error_code error;
  for (const char* name : {"/edges.csv", "/can.log", "/truth.json"}) {
    if (std::filesystem::exists(out + name, error)) {
      return refuse(ExitCode::cannot_write, out + name + ": expected a new file, found one that exists");
    }
  }
  if (const auto problem = sim::run_scenario(described, sound, out)) {
    return refuse(ExitCode::cannot_write, *problem);
  }
  return ExitCode::done;
}

// What the command line asked for.
struct Asked {
  RunOptions run;
  ReplayOptions replay;
  ReportOptions report;
  OffsetOptions offset;
  BaselineOptions baseline;
  HistoryOptions history;
  PruneOptions prune;
  StatusOptions status;
  RecoverOptions recover;
  ReplayOptions tdc;
  LearnOptions learn;
  std::string check_file;
  std::vector<std::string> check_frames;
  std::string scenario_file;
  std::string simulation_out;
};

void add_check(CLI::App& app, Asked& asked) {
  CLI::App* check = app.add_subcommand("check", "Explain an engine file or a signal map in words and drawings");
  check->add_option("FILE", asked.check_file, "Engine file, signal map or DBC file")->required();
  check
      ->add_option("--frame", asked.check_frames,
                   "A CAN frame as candump writes it, for example 2B0#0102030405060708: only say what it means")
      ->allow_extra_args(false);
}

void add_simulate(CLI::App& app, Asked& asked) {
  CLI::App* simulate = app.add_subcommand("simulate", "Make edges.csv, truth.json and can.log from a scenario file");
  simulate->add_option("SCENARIO", asked.scenario_file, "Scenario file")->required();
  simulate->add_option("--out", asked.simulation_out, "Folder to write to; no file there is overwritten")->required();
}

ExitCode run_asked(const CLI::App& app, const Asked& asked) {
  const std::map<std::string, std::function<ExitCode()>> commands = {
      {"run", [&] { return run_live(asked.run); }},
      {"replay", [&] { return replay(asked.replay); }},
      {"report", [&] { return report(asked.report); }},
      {"offset", [&] { return offset(asked.offset); }},
      {"baseline", [&] { return baseline(asked.baseline); }},
      {"history", [&] { return history(asked.history); }},
      {"prune", [&] { return prune(asked.prune); }},
      {"status", [&] { return status_command(asked.status, std::cout, std::cerr); }},
      {"recover", [&] { return recover(asked.recover); }},
      {"tdc", [&] { return tdc_command(asked.tdc); }},
      {"learn", [&] { return learn_command(asked.learn); }},
      {"check",
       [&] {
         const int code = check_command(asked.check_file, asked.check_frames, std::cout, std::cerr);
         return code == 0 ? ExitCode::done : ExitCode::usage;
       }},
      {"simulate", [&] { return simulate_command(asked.scenario_file, asked.simulation_out); }}};
  return commands.at(app.get_subcommands().front()->get_name())();
}

}  // namespace

int run_command_line(int argc, const char* const* argv) {
  CLI::App app("An independent witness of engine timing: tooth edges in, findings with evidence out.", "crankwitness");
  app.footer(footer);
  app.set_version_flag("--version", program_version());
  app.require_subcommand(1);
  Asked asked;
  asked.run.program = "/proc/self/exe";
  add_run(app, asked.run);
  add_replay(app, asked.replay);
  add_report(app, asked.report);
  add_offset(app, asked.offset);
  add_baseline(app, asked.baseline);
  add_history(app, asked.history);
  add_prune(app, asked.prune);
  add_status(app, asked.status);
  add_recover(app, asked.recover);
  add_tdc(app, asked.tdc);
  add_learn(app, asked.learn);
  add_check(app, asked);
  add_simulate(app, asked);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    return app.exit(error) == 0 ? 0 : static_cast<int>(ExitCode::usage);
  }
  return static_cast<int>(run_asked(app, asked));
}

}  // namespace cw
