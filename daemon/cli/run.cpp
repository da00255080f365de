#include "cli/run.hpp"

#include <unistd.h>

#include <algorithm>
#include <array>
#include <csignal>
#include <future>
#include <utility>

#include "cli/live_session.hpp"
#include "cli/live_sources.hpp"
#include "cli/serving.hpp"
#include "cli/version.hpp"

namespace cw {

namespace {

// All that a session needs, ready to listen.
struct Prepared {
  std::unique_ptr<LiveSession> session;
  std::vector<LiveSource> sources;
};

struct Refused {
  ExitCode code = ExitCode::usage;
  std::string why;
};

std::variant<Prepared, Refused> prepare(LiveSetting& setting, Serving& serving) {
  auto engine = read_engine_text(setting.options.engine);
  if (auto* error = std::get_if<std::string>(&engine)) {
    return Refused{ExitCode::usage, std::move(*error)};
  }
  auto& text = std::get<EngineText>(engine);
  auto specs = sources_for(setting.options, text.engine);
  if (auto* error = std::get_if<std::string>(&specs)) {
    return Refused{ExitCode::usage, std::move(*error)};
  }
  const auto& known = std::get<std::vector<SourceSpec>>(specs);
  auto sources = open_sources(known, text.maps);
  if (auto* error = std::get_if<std::string>(&sources)) {
    return Refused{ExitCode::bad_input, std::move(*error)};
  }
  auto& open = std::get<std::vector<LiveSource>>(sources);
  if (std::string error = serving.begin(setting.options, text.engine); !error.empty()) {
    close_sources(open);
    return Refused{serving.refused_as(), std::move(error)};
  }
  setting.live = serving.state();
  auto session = LiveSession::create(setting, std::move(text), infos_of(known));
  if (auto* error = std::get_if<std::string>(&session)) {
    close_sources(open);
    return Refused{ExitCode::cannot_write, std::move(*error)};
  }
  return Prepared{std::move(std::get<std::unique_ptr<LiveSession>>(session)), std::move(open)};
}

std::string left_out_words(std::uint64_t lines) {
  return std::to_string(lines) +
         " lines were left out of standard output, since no one read it; events.jsonl has all findings";
}

// At the end the report is waited for, below the unit's TimeoutStopSec.
constexpr std::chrono::seconds report_wait_max{60};

// The graver of two sessions' codes: what is missing is missing, whatever came after it.
ExitCode graver(ExitCode a, ExitCode b) {
  static constexpr std::array order = {ExitCode::done, ExitCode::findings, ExitCode::lossy, ExitCode::bad_input,
                                       ExitCode::cannot_write};
  const auto place = [](ExitCode code) { return std::find(order.begin(), order.end(), code); };
  return place(a) < place(b) ? b : a;
}

// Session after session, until the last.
class Run {
 public:
  Run(const LiveSetting& setting, const Signals& signals, Serving& serving, Prepared first)
      : setting_(setting), signals_(signals), serving_(serving), now_(std::move(first)) {}

  ExitCode listen();

 private:
  LiveHooks hooks();
  bool reload();
  void begin_next();
  void tell_what_was_left_out();
  void take_closed(ExitCode code) { worst_ = graver(worst_, code); }

  LiveSetting setting_;
  const Signals& signals_;
  Serving& serving_;
  Prepared now_;
  std::optional<Prepared> next_;
  std::future<ExitCode> closing_;  // the session before, which is still being written
  Watchdog watchdog_;
  ExitCode worst_ = ExitCode::done;
};

LiveHooks Run::hooks() {
  LiveHooks hooks;
  hooks.started = tell_manager_ready;
  hooks.tick = [this] {
    watchdog_.tick(Watchdog::Clock::now(), now_.session->progress());
    tell_what_was_left_out();
  };
  hooks.reload = [this] { return reload(); };
  return hooks;
}

void Run::tell_what_was_left_out() {
  if (const std::uint64_t lines = setting_.terminal.take_left_out(); lines > 0) {
    setting_.log->warn(left_out_words(lines));
    now_.session->note("output-left-out", left_out_words(lines));
  }
}

// SIGHUP: all that may go wrong with the new session is tried before the old one ends.
bool Run::reload() {
  tell_manager_reloading();
  const auto refuse = [&](const std::string& why) {
    setting_.log->error("{}; the session goes on with the settings it began with", why);
    now_.session->note("reload-refused", why);
    tell_manager_ready();
    return false;
  };
  if (closing_.valid() && closing_.wait_for(std::chrono::seconds(0)) != std::future_status::ready) {
    return refuse("the session before this one is still being written");
  }
  setting_.again = true;
  auto prepared = prepare(setting_, serving_);
  if (const auto* refused = std::get_if<Refused>(&prepared)) {
    return refuse(refused->why);
  }
  next_ = std::move(std::get<Prepared>(prepared));
  now_.session->note("reload", "goes on in " + next_->session->folder());
  next_->session->note("reload", "goes on from " + now_.session->folder());
  return true;
}

// Sources that are described as before are read on without a break, so no edge is lost between the sessions.
void Run::begin_next() {
  if (closing_.valid()) {
    take_closed(closing_.get());
  }
  go_on_with(now_.session->take_open_sources(), next_->sources);
  closing_ = std::async(std::launch::async, [old = std::move(now_.session)]() mutable {
    const ExitCode code = old->close();
    old.reset();  // here, since a link that is just being opened may take seconds
    return code;
  });
  now_ = std::move(*next_);
  next_.reset();
}

ExitCode Run::listen() {
  for (;;) {
    const std::string stopped_by = now_.session->listen(std::move(now_.sources), signals_, hooks()).stopped_by;
    if (stopped_by != "reload") {
      break;
    }
    begin_next();
  }
  if (next_) {
    next_->session->cancel();  // SIGHUP, and before anything came of it a signal to end
    close_sources(next_->sources);
  }
  tell_manager_stopping();
  serving_.stopping();
  Signals::end_at_once_when_asked_twice();
  take_closed(now_.session->close());
  if (closing_.valid()) {
    take_closed(closing_.get());
  }
  return worst_;
}

}  // namespace

ExitCode run_live(const RunOptions& options) {
  ::signal(SIGPIPE, SIG_IGN);  // a reader of our output that goes away must not end the recording
  const Signals signals;       // before there are threads
  Terminal terminal(Terminal::Reader::never_waited_for);
  const bool journal = options.journal || logs_to_journal();
  std::unique_ptr<ReportQueue> reports;
  if (!options.program.empty()) {
    reports = std::make_unique<ReportQueue>(options.program);
  }
  LiveSetting setting{options, terminal, make_log(terminal, journal), journal};
  setting.reports = reports.get();
  Serving serving(*setting.log, program_version());
  auto prepared = prepare(setting, serving);
  if (const auto* refused = std::get_if<Refused>(&prepared)) {
    terminal.complain(error_prefix(journal) + refused->why);
    return refused->code;
  }
  const ExitCode code = Run(setting, signals, serving, std::move(std::get<Prepared>(prepared))).listen();
  if (reports && !reports->finish(report_wait_max)) {
    setting.log->warn("the report is still being made, and left to itself");
  }
  if (const std::uint64_t lines = terminal.finish_output(); lines > 0) {
    setting.log->warn(left_out_words(lines));
  }
  return code;
}

}  // namespace cw
