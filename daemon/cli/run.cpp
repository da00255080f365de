#include "cli/run.hpp"

#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <csignal>
#include <utility>

#include "cli/account.hpp"
#include "cli/engine_text.hpp"
#include "cli/live_input.hpp"
#include "cli/log.hpp"
#include "cli/pipeline.hpp"
#include "cli/terminal.hpp"
#include "cli/version.hpp"
#include "drivers/registry.hpp"
#include "record/session_writer.hpp"

namespace cw {

namespace {

std::int64_t wall_now_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::system_clock::now().time_since_epoch())
      .count();
}

// Letters and digits of the name, the rest as single dashes: fit for a folder name.
std::string folder_word(const std::string& name) {
  std::string word;
  for (const char letter : name) {
    const bool plain =
        (letter >= 'a' && letter <= 'z') || (letter >= 'A' && letter <= 'Z') || (letter >= '0' && letter <= '9');
    if (plain) {
      word += letter;
    } else if (!word.empty() && word.back() != '-') {
      word += '-';
    }
  }
  while (!word.empty() && word.back() == '-') {
    word.pop_back();
  }
  return word.empty() ? "engine" : word;
}

std::string default_folder(const std::string& engine_name, std::int64_t wall_ns) {
  std::string time = rfc3339(wall_ns, 0);
  std::erase(time, ':');
  return "sessions/" + time + "-" + folder_word(engine_name);
}

std::variant<SourceSpec, std::string> source_from_text(const std::string& text) {
  if (text == "-") {
    return SourceSpec{"csv", "-", {}};
  }
  const std::size_t colon = text.find(':');
  if (colon == std::string::npos || find_driver(text.substr(0, colon)) == nullptr || colon + 1 == text.size()) {
    return "--source: expected DRIVER:ADDRESS with one of the drivers " + driver_names() + ", or -, found \"" + text +
           "\"";
  }
  return SourceSpec{text.substr(0, colon), text.substr(colon + 1), {}};
}

std::variant<std::vector<SourceSpec>, std::string> sources_for(const RunOptions& options, const Engine& engine) {
  std::vector<SourceSpec> specs = options.sources.empty() ? engine.sources : std::vector<SourceSpec>{};
  for (const std::string& text : options.sources) {
    auto spec = source_from_text(text);
    if (auto* error = std::get_if<std::string>(&spec)) {
      return std::move(*error);
    }
    specs.push_back(std::move(std::get<SourceSpec>(spec)));
  }
  constexpr std::size_t sources_max = 255;
  if (specs.empty() || specs.size() > sources_max) {
    return options.engine + ": expected 1 to 255 sources, as [[source]] or with --source, found " +
           std::to_string(specs.size());
  }
  return specs;
}

std::variant<std::vector<LiveSource>, std::string> open_sources(const std::vector<SourceSpec>& specs) {
  std::vector<LiveSource> sources;
  for (const SourceSpec& spec : specs) {
    const DriverEntry* entry = find_driver(spec.driver);
    std::string problem;
    if (entry == nullptr) {
      problem = "expected one of the drivers " + driver_names() + ", found \"" + spec.driver + "\"";
    } else {
      LiveSource source;
      source.info = {static_cast<int>(sources.size()), spec.driver, spec.address, spec.channels};
      source.driver = entry->make({spec.address == "-" ? "standard input" : spec.address, true, spec.channels});
      source.descriptor = entry->open(spec.address);
      if (source.descriptor >= 0) {
        sources.push_back(std::move(source));
        continue;
      }
      problem = disk_problem(spec.address, "cannot open", errno);
    }
    for (const LiveSource& open : sources) {
      ::close(open.descriptor);
    }
    return problem;
  }
  return sources;
}

ExitCode exit_code(const LiveReport& report, const SessionWriter& session, const Problem& write_problem,
                   const SessionTotals& totals, const RunOptions& options) {
  if (write_problem) {
    return ExitCode::cannot_write;
  }
  if (report.stopped_by == "input failed") {
    return ExitCode::bad_input;
  }
  if (session.lost_items() > 0 || report.lost_items > 0 || report.bad_inputs > 0) {
    return ExitCode::lossy;
  }
  return fails(totals, options.fail_on) ? ExitCode::findings : ExitCode::done;
}

ExitCode listen(const RunOptions& options, const EngineText& engine, std::vector<LiveSource> sources,
                Terminal& terminal) {
  const auto log = make_log(terminal);
  SessionSettings settings;
  settings.info.program = program_version();
  settings.info.made_by = "run";
  settings.info.id = draw_session_id();
  settings.info.engine_file_name = engine.name;
  settings.info.engine_file_text = engine.text;
  settings.info.anchor = WallAnchor{host_now_ns(), wall_now_ns()};
  for (const LiveSource& source : sources) {
    settings.info.sources.push_back(source.info);
    log->info("listening to {}:{}", source.info.driver, source.info.address);
  }
  settings.folder =
      options.out.empty() ? default_folder(engine.engine.name, settings.info.anchor->wall_ns) : options.out;
  settings.tell = [log](const std::string& line) { log->error(line); };
  const std::string folder = settings.folder;
  const auto anchor = settings.info.anchor;
  auto created = SessionWriter::create(std::move(settings), engine.engine);
  if (auto* error = std::get_if<std::string>(&created)) {
    log->error(*error);
    return ExitCode::cannot_write;
  }
  SessionWriter& session = *std::get<std::unique_ptr<SessionWriter>>(created);
  log->info("recording {} to {}", engine.engine.name, folder);

  SessionTotals totals(engine.engine);
  Account account(terminal, totals, {options.json, true, anchor});
  LiveReport report;
  {
    Pipeline pipeline(engine.engine, {true, PipelineSettings{}.queue_items, &session, &totals, {&account}});
    LiveInput input(std::move(sources), pipeline, session, [log](const std::string& line) { log->warn(line); });
    report = input.run();
    pipeline.finish();
  }
  terminal.status("");
  const Problem write_problem = session.finish(report.stopped_by, totals);
  log->info("stopped: {}; session in {}", report.stopped_by, folder);
  if (options.json) {
    terminal.print(summary_json(totals, engine.engine, anchor, {session.lost_items(), report.stopped_by}));
  } else {
    const std::string lost = session.lost_items() > 0
                                 ? ", " + std::to_string(session.lost_items()) + " items could not be recorded"
                                 : std::string();
    terminal.print(totals_in_words(totals, engine.engine, folder + lost));
  }
  return exit_code(report, session, write_problem, totals, options);
}

}  // namespace

ExitCode run_live(const RunOptions& options) {
  ::signal(SIGPIPE, SIG_IGN);  // a reader of our output that goes away must not end the recording
  Terminal terminal;
  const auto refuse = [&](ExitCode code, const std::string& why) {
    terminal.complain("crankwitness: " + why);
    return code;
  };
  auto engine = read_engine_text(options.engine);
  if (auto* error = std::get_if<std::string>(&engine)) {
    return refuse(ExitCode::usage, *error);
  }
  const auto& text = std::get<EngineText>(engine);
  auto specs = sources_for(options, text.engine);
  if (auto* error = std::get_if<std::string>(&specs)) {
    return refuse(ExitCode::usage, *error);
  }
  auto sources = open_sources(std::get<std::vector<SourceSpec>>(specs));
  if (auto* error = std::get_if<std::string>(&sources)) {
    return refuse(ExitCode::bad_input, *error);
  }
  return listen(options, text, std::move(std::get<std::vector<LiveSource>>(sources)), terminal);
}

}  // namespace cw
