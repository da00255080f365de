// The real program under load: crankwitness-load live | soak. ./bootstrap load and ./bootstrap soak run it.
#include <CLI/CLI.hpp>
#include <csignal>
#include <cstdio>
#include <exception>
#include <map>

#include "live.hpp"
#include "soak.hpp"

int main(int argc, char** argv) try {
  std::signal(SIGPIPE, SIG_IGN);
  CLI::App app("crankwitness under load");
  app.require_subcommand(1);

  cw::load::LiveLoad live;
  CLI::App* const live_command = app.add_subcommand("live", "a capture device in real time");
  const std::map<std::string, cw::load::LineKind> lines = {
      {"pty", cw::load::LineKind::pty}, {"tcp", cw::load::LineKind::tcp}, {"fifo", cw::load::LineKind::fifo}};
  live_command->add_option("--line", live.line, "pty, tcp or fifo")->transform(CLI::CheckedTransformer(lines));
  live_command->add_option("--seconds", live.seconds, "how long")->check(CLI::Range(1.0, 36000.0));
  live_command->add_option("--rpm", live.rpm, "engine speed")->check(CLI::Range(100.0, 30000.0));
  live_command->add_option("--faults", live.faults_per_s, "odd edges a second")->check(CLI::Range(0.0, 1000.0));
  live_command->add_option("--times", live.times, "so many times faster than real time")->check(CLI::Range(1.0, 1e5));
  live_command->add_option("--stopped", live.stopped_s, "seconds for which the program is stopped")
      ->check(CLI::Range(0.0, 600.0));
  live_command->add_option("--baud", live.baud, "of the line; 0: no limit")->check(CLI::Range(0U, 12'000'000U));
  live_command->add_option("--ring", live.ring_bytes, "bytes that the device can keep for the line")
      ->check(CLI::Range(640U, 1U << 24U));
  live_command->add_option("--folder", live.folder, "where it records")->check(CLI::ExistingDirectory);
  live_command->add_flag("--program-first", live.program_first,
                         "let the program run before this computer's other work, as on one that has none");
  live_command->add_flag("--counts-only", live.counts_only, "do not judge times, processor and memory");

  cw::load::Soak soak;
  CLI::App* const soak_command = app.add_subcommand("soak", "many hours of an engine, as fast as may be");
  const std::map<std::string, cw::load::SoakBy> ways = {{"replay", cw::load::SoakBy::replay},
                                                        {"run", cw::load::SoakBy::run}};
  soak_command->add_option("--by", soak.by, "replay or run")->transform(CLI::CheckedTransformer(ways));
  soak_command->add_option("--hours", soak.hours, "of engine time")->check(CLI::Range(0.2, 10000.0));
  soak_command->add_option("--edges-per-s", soak.edges_per_s, "run: at most")->check(CLI::Range(1e3, 1e9));
  soak_command->add_option("--folder", soak.folder, "where it records")->check(CLI::ExistingDirectory);

  CLI11_PARSE(app, argc, argv);
  return (live_command->parsed() ? cw::load::run_live_load(live) : cw::load::run_soak(soak)) ? 0 : 1;
} catch (const std::exception& error) {
  std::fprintf(stderr, "crankwitness-load: %s\n", error.what());
  return 2;
}
