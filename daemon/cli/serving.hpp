// What `run` serves: begun with the first session, and the same for all that follow.
#pragma once

#include <spdlog/logger.h>

#include <memory>
#include <string>

#include "cli/exit_code.hpp"
#include "cli/run.hpp"
#include "geometry/engine.hpp"
#include "serve/live_state.hpp"
#include "serve/page_server.hpp"

namespace cw {

class Serving {
 public:
  // `log` must outlive it.
  Serving(spdlog::logger& log, std::string program) : log_(log), state_(std::move(program)) {}

  // With the first engine: listens, when the options or the engine file ask for it. With later ones (SIGHUP): goes on as
  // it is, and says so when the file asks for something else. An error line when it can't; then refused_as() is the exit
  // code.
  std::string begin(const RunOptions& options, const Engine& engine);
  ExitCode refused_as() const { return refused_as_; }

  // What the page shows; nullptr when nothing is served.
  LiveState* state() { return server_ ? &state_ : nullptr; }
  void stopping() { state_.stopping(); }

 private:
  spdlog::logger& log_;
  LiveState state_;
  std::unique_ptr<PageServer> server_;
  ServeSpec spec_;
  bool begun_ = false;
  ExitCode refused_as_ = ExitCode::usage;
};

}  // namespace cw
