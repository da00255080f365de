#include "cli/serving.hpp"

#include <utility>
#include <variant>

#include "serve/serve_address.hpp"

namespace cw {

namespace {

constexpr const char* usual_address = "127.0.0.1:7200";

// The names by which browsers reach it are the engine file's in either case.
ServeSpec asked_for(const RunOptions& options, const Engine& engine) {
  ServeSpec spec = engine.serve;
  if (options.serve) {
    spec.address = options.serve->empty() ? usual_address : *options.serve;
    spec.allow_remote = options.serve_remote;
  }
  return spec;
}

bool same(const ServeSpec& a, const ServeSpec& b) {
  return a.address == b.address && a.allow_remote == b.allow_remote && a.hosts == b.hosts;
}

}  // namespace

std::string Serving::begin(const RunOptions& options, const Engine& engine) {
  ServeSpec spec = asked_for(options, engine);
  if (begun_) {
    if (!same(spec, spec_)) {
      log_.warn("[serve] has changed: the page stays as it is until crankwitness is started anew");
    }
    return {};
  }
  if (!spec.address.empty()) {
    const auto address = parse_serve_address(spec.address, spec.allow_remote);
    if (const auto* problem = std::get_if<std::string>(&address)) {
      return *problem;
    }
    auto server = PageServer::create(std::get<ServeAddress>(address), spec, state_);
    if (auto* problem = std::get_if<std::string>(&server)) {
      refused_as_ = ExitCode::cannot_write;
      return std::move(*problem);
    }
    server_ = std::move(std::get<std::unique_ptr<PageServer>>(server));
    log_.info("showing the live page at http://{}/", to_string(server_->address()));
  }
  spec_ = std::move(spec);
  begun_ = true;
  return {};
}

}  // namespace cw
