#include "cli/command_line.hpp"

#include <CLI/CLI.hpp>
#include <iostream>
#include <map>
#include <string>

#include "cli/check.hpp"
#include "cli/exit_code.hpp"
#include "cli/replay.hpp"
#include "cli/run.hpp"
#include "cli/version.hpp"

namespace cw {

namespace {

const std::map<std::string, Severity>& severity_names() {
  static const std::map<std::string, Severity> names = {{"warning", Severity::warning}, {"fault", Severity::fault}};
  return names;
}

constexpr const char* footer =
    "Exit codes: 0 done; 1 findings as grave as --fail-on; 2 command line or engine file wrong; 3 input can't be read\n"
    "to its end; 4 done, but a part of the input or recording is missing; 5 a part of the output can't be written;\n"
    "6 a replay was stopped by a signal.\n\n"
    "crankwitness only listens. It is an observer, not a safety device.";

void add_fail_on(CLI::App* command, std::optional<Severity>& fail_on) {
  command->add_option("--fail-on", fail_on, "Exit with 1 when there is a finding this grave: warning or fault")
      ->transform(CLI::CheckedTransformer(severity_names()));
}

void add_replay(CLI::App& app, ReplayOptions& options) {
  CLI::App* command = app.add_subcommand("replay", "Analyse a recorded session or a file of edges");
  command->add_option("INPUT", options.inputs, "A session folder, or a file (edge CSV)")->required();
  command->add_option("--engine", options.engine,
                      "Engine file; needed for a raw file, for a session instead of its own");
  command->add_option("--out", options.out, "New session folder to write");
  command->add_option("--cycles", options.cycles, "New CSV file to write, one row an engine cycle");
  command->add_option("--speed", options.speed, "Times real time; as fast as it goes without it")
      ->check(CLI::PositiveNumber);
  command->add_flag("--json", options.json, "One JSON line a finding, then a summary object, instead of words");
  add_fail_on(command, options.fail_on);
}

void add_run(CLI::App& app, RunOptions& options) {
  CLI::App* command = app.add_subcommand("run", "Listen live and record a session");
  command->add_option("ENGINE", options.engine, "Engine file")->required();
  command->add_option(
      "--source", options.sources,
      "DRIVER:ADDRESS, for example csv:/run/edges.fifo, or - for edge CSV on standard input; instead of "
      "the [[source]] of the engine file");
  command->add_option("--out", options.out, "New session folder; sessions/<UTC time>-<engine name> without it");
  command->add_flag("--json", options.json, "One JSON line a finding, then a summary object, instead of words");
  add_fail_on(command, options.fail_on);
}

}  // namespace

int run_command_line(int argc, const char* const* argv) {
  CLI::App app("An independent witness of engine timing: tooth edges in, findings with evidence out.", "crankwitness");
  app.footer(footer);
  app.set_version_flag("--version", program_version());
  app.require_subcommand(1);

  RunOptions run_options;
  add_run(app, run_options);
  ReplayOptions replay_options;
  add_replay(app, replay_options);
  std::string check_file;
  CLI::App* check = app.add_subcommand("check", "Explain an engine file in words and a drawing");
  check->add_option("FILE", check_file, "Engine file")->required();

  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    return app.exit(error) == 0 ? 0 : static_cast<int>(ExitCode::usage);
  }
  if (check->parsed()) {
    return check_command(check_file, std::cout, std::cerr) == 0 ? 0 : static_cast<int>(ExitCode::usage);
  }
  if (app.got_subcommand("run")) {
    return static_cast<int>(run_live(run_options));
  }
  return static_cast<int>(replay(replay_options));
}

}  // namespace cw
