// `crankwitness run`: listens live, until the sources end or a signal comes, and records a session; SIGHUP ends it and
// begins another with the engine file read anew.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "cli/exit_code.hpp"
#include "items/observation.hpp"

namespace cw {

struct RunOptions {
  std::string engine;                // engine file
  std::vector<std::string> sources;  // "DRIVER:ADDRESS", or "-" for edge CSV on standard input; empty: the file's own
  int baud = 115200;                 // of serial ports among `sources`
  bool allow_remote = false;         // network addresses among `sources` may be of other computers
  std::string channels;  // "crank=D0,cam1=D1" for the only source; empty: those of the engine file's [[source]]
  std::string out;       // new session folder; empty: sessions/<UTC time>-<engine name>
  std::optional<std::string> serve;  // "ADDRESS:PORT", "" for the usual one; nothing: as the engine file's [serve] says
  bool serve_remote = false;         // other computers may ask, at the address of `serve`
  bool json = false;
  bool journal = false;  // log lines as the journal takes them, wherever they go
  std::optional<Severity> fail_on;
  std::string program;  // this program, that makes the reports; empty: none are made
};

ExitCode run_live(const RunOptions& options);

}  // namespace cw
