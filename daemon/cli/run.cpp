#include "cli/run.hpp"

#include <unistd.h>

#include <chrono>
#include <csignal>
#include <utility>

#include "cli/account.hpp"
#include "cli/channel_names.hpp"
#include "cli/engine_text.hpp"
#include "cli/live_input.hpp"
#include "cli/log.hpp"
#include "cli/pipeline.hpp"
#include "cli/prune.hpp"
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

std::string default_folder(const std::string& folder, const std::string& engine_name, std::int64_t wall_ns) {
  std::string time = rfc3339(wall_ns, 0);
  std::erase(time, ':');
  return folder + "/" + time + "-" + folder_word(engine_name);
}

std::variant<SourceSpec, std::string> source_from_text(const std::string& text) {
  if (text == "-") {
    return SourceSpec{.driver = "csv", .address = "-", .channels = {}};
  }
  const std::size_t colon = text.find(':');
  if (colon == std::string::npos || find_driver(text.substr(0, colon)) == nullptr || colon + 1 == text.size()) {
    return "--source: expected DRIVER:ADDRESS with one of the drivers " + driver_names() + ", or -, found \"" + text +
           "\"";
  }
  return SourceSpec{.driver = text.substr(0, colon), .address = text.substr(colon + 1), .channels = {}};
}

std::variant<std::vector<SourceSpec>, std::string> sources_for(const RunOptions& options, const Engine& engine) {
  std::vector<SourceSpec> specs = options.sources.empty() ? engine.sources : std::vector<SourceSpec>{};
  for (const std::string& text : options.sources) {
    auto spec = source_from_text(text);
    if (auto* error = std::get_if<std::string>(&spec)) {
      return std::move(*error);
    }
    specs.push_back(std::move(std::get<SourceSpec>(spec)));
    specs.back().baud = options.baud;
    specs.back().allow_remote = options.allow_remote;
  }
  constexpr std::size_t sources_max = 255;
  if (specs.empty() || specs.size() > sources_max) {
    return options.engine + ": expected 1 to 255 sources, as [[source]] or with --source, found " +
           std::to_string(specs.size());
  }
  if (!options.channels.empty() && specs.size() > 1) {
    return "--channels: expected one source, found " + std::to_string(specs.size());
  }
  if (!options.channels.empty() || !options.sources.empty()) {
    auto names = channel_names(options.channels, engine);
    if (auto* error = std::get_if<std::string>(&names)) {
      return std::move(*error);
    }
    for (SourceSpec& spec : specs) {
      spec.channels = std::get<ChannelNames>(names);
    }
  }
  return specs;
}

SourceAddress address_of(const SourceSpec& spec) {
  return {spec.address, spec.baud, spec.allow_remote};
}

// What is wrong with a source whatever is plugged in; empty: nothing.
std::string source_problem(const SourceSpec& spec) {
  const DriverEntry* entry = find_driver(spec.driver);
  if (entry == nullptr) {
    return "expected one of the drivers " + driver_names() + ", found \"" + spec.driver + "\"";
  }
  return entry->address_problem == nullptr ? std::string() : entry->address_problem(address_of(spec));
}

// A link is opened when the run has begun; all else must be there. Empty, or an error line.
std::string prepare(const SourceSpec& spec, LiveSource& source) {
  source.entry = find_driver(spec.driver);
  source.where = address_of(spec);
  if (!source.entry->reconnects) {
    Opened opened = source.entry->open(source.where);
    if (opened.descriptor < 0) {
      return std::move(opened.problem);
    }
    source.descriptor = opened.descriptor;
  }
  source.info.driver = spec.driver;
  source.info.address = spec.address;
  source.info.channels = spec.channels;
  source.driver = source.entry->make({spec.address == "-" ? "standard input" : spec.address, true, spec.channels});
  return {};
}

std::variant<std::vector<LiveSource>, std::string> open_sources(const std::vector<SourceSpec>& specs) {
  std::vector<LiveSource> sources;
  for (const SourceSpec& spec : specs) {
    LiveSource source;
    source.info.number = static_cast<int>(sources.size());
    std::string problem = prepare(spec, source);
    if (problem.empty()) {
      sources.push_back(std::move(source));
      continue;
    }
    for (const LiveSource& open : sources) {
      if (open.descriptor >= 0) {
        ::close(open.descriptor);
      }
    }
    return problem;
  }
  return sources;
}

constexpr std::int64_t ns_of_s(double s) {
  return static_cast<std::int64_t>(s * 1e9);
}

void apply(const RecordSpec& record, SessionSettings& settings) {
  constexpr double mib = 1024.0 * 1024.0;
  constexpr std::int64_t segment_ns = 600'000'000'000;  // what stays of an old session is whole segments
  settings.segment_ns = segment_ns;
  settings.free_floor_bytes = static_cast<std::uint64_t>(record.free_floor_mib * mib);
  if (record.mode == RecordMode::black_box) {
    settings.black_box = BlackBoxSettings{ns_of_s(record.lead_in_s), ns_of_s(record.after_s)};
  }
}

ExitCode exit_code(const LiveReport& report, const SessionWriter& session, const Problem& write_problem,
                   const SessionTotals& totals, const RunOptions& options) {
  if (write_problem) {
    return ExitCode::cannot_write;
  }
  if (report.stopped_by == "input failed") {
    return ExitCode::bad_input;
  }
  if (session.lost_items() > 0 || report.lost_items > 0 || report.lost_bytes > 0 || report.bad_inputs > 0 ||
      totals.gaps() > 0) {
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
  const RecordSpec& record = engine.engine.record;
  settings.folder = options.out.empty()
                        ? default_folder(record.folder, engine.engine.name, settings.info.anchor->wall_ns)
                        : options.out;
  apply(record, settings);
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
  Pipeline pipeline(engine.engine, {true, PipelineSettings{}.queue_items, &session, &totals, {&account}});
  LiveInput input(std::move(sources), pipeline, session, [log](News news, const std::string& line) {
    log->log(news == News::good ? spdlog::level::info : spdlog::level::warn, line);
  });
  RetentionWatch retention(engine.engine.record, session, [log](const std::string& line) { log->warn(line); });
  const LiveReport report = input.run();
  pipeline.finish();
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
  if (const std::string why = crank_not_seen(totals, engine.engine); options.json && !why.empty()) {
    log->warn(why);
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
  for (const SourceSpec& spec : std::get<std::vector<SourceSpec>>(specs)) {
    const std::string problem = source_problem(spec);
    if (!problem.empty()) {
      return refuse(ExitCode::usage, problem);
    }
  }
  auto sources = open_sources(std::get<std::vector<SourceSpec>>(specs));
  if (auto* error = std::get_if<std::string>(&sources)) {
    return refuse(ExitCode::bad_input, *error);
  }
  return listen(options, text, std::move(std::get<std::vector<LiveSource>>(sources)), terminal);
}

}  // namespace cw
