#include "cli/live_session.hpp"

#include <filesystem>
#include <utility>

#include "cli/channel_names.hpp"
#include "cli/session_sources.hpp"
#include "cli/version.hpp"

namespace cw {

namespace {

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

// `wanted`, or when that is taken, as by the session before a reload, the first of wanted-2, wanted-3 ... that is not.
std::string free_folder(const std::string& wanted) {
  constexpr int tries_max = 100'000;
  std::error_code error;
  std::string folder = wanted;
  for (int i = 2; i < tries_max && std::filesystem::exists(folder, error); ++i) {
    folder = wanted + "-" + std::to_string(i);
  }
  return folder;
}

}  // namespace

LiveSession::LiveSession(const LiveSetting& setting, EngineText engine)
    : setting_(setting), engine_(std::move(engine)), report_on_loss_([this](ReportQueue::Clock::time_point due) {
        setting_.reports->ask({folder(), due, [this](const std::string& why) { report_failed(why); }, nullptr});
      }) {
  if (!engine_.engine.record.report) {
    setting_.reports = nullptr;
  }
}

LiveSession::~LiveSession() = default;

std::variant<std::unique_ptr<LiveSession>, std::string> LiveSession::create(const LiveSetting& setting,
                                                                            EngineText engine,
                                                                            std::vector<SourceInfo> sources) {
  std::unique_ptr<LiveSession> session(new LiveSession(setting, std::move(engine)));
  session->anchor_ = WallAnchor{host_now_ns(), wall_now_ns()};
  SessionSettings settings;
  settings.info.program = program_version();
  settings.info.made_by = "run";
  settings.info.id = draw_session_id();
  settings.info.engine_file_name = session->engine_.name;
  settings.info.engine_file_text = session->engine_.text;
  settings.info.signal_maps = session->engine_.map_texts;
  settings.info.baseline_name = session->engine_.engine.baseline_file;
  settings.info.baseline_text = session->engine_.baseline_text;
  settings.info.anchor = session->anchor_;
  use_sources(sources, session->engine_.engine);
  settings.info.sources = std::move(sources);
  const std::string& asked = setting.options.out;
  const Engine& described = session->engine_.engine;
  settings.folder =
      asked.empty()   ? free_folder(default_folder(described.record.folder, described.name, session->anchor_->wall_ns))
      : setting.again ? free_folder(asked)
                      : asked;
  apply(described.record, settings);
  settings.tell = [log = setting.log](const std::string& line) { log->error(line); };
  auto created = SessionWriter::create(std::move(settings), session->engine_.engine);
  if (auto* error = std::get_if<std::string>(&created)) {
    return std::move(*error);
  }
  session->writer_ = std::move(std::get<std::unique_ptr<SessionWriter>>(created));
  return session;
}

const LiveReport& LiveSession::listen(std::vector<LiveSource> sources, const Signals& signals, LiveHooks hooks) {
  for (const LiveSource& source : sources) {
    setting_.log->info("listening to {}:{}", source.info.driver, source.info.address);
  }
  setting_.log->info("recording {} to {}", engine_.engine.name, folder());
  const bool json = setting_.options.json;
  account_ = std::make_unique<Account>(setting_.terminal, totals_,
                                       AccountSettings{json, true, setting_.journal && !json, anchor_});
  pipeline_ = std::make_unique<Pipeline>(
      engine_.engine,
      PipelineSettings{true, PipelineSettings{}.queue_items, writer_.get(), &totals_, observers(), engine_.maps});
  hooks.tell = [log = setting_.log](News news, const std::string& line) {
    log->log(news == News::good ? spdlog::level::info : spdlog::level::warn, line);
  };
  if (setting_.live != nullptr) {
    hooks.health = [this](std::vector<SourceHealth> seen) {
      setting_.live->take(live_session_, health(std::move(seen)));
    };
  }
  input_ = std::make_unique<LiveInput>(std::move(sources), *pipeline_, *writer_, signals, std::move(hooks));
  retention_ = std::make_unique<RetentionWatch>(engine_.engine.record, *writer_,
                                                [log = setting_.log](const std::string& line) { log->warn(line); });
  report_ = input_->run();
  retention_.reset();
  return report_;
}

std::vector<Observer*> LiveSession::observers() {
  std::vector<Observer*> all = {account_.get(), &status_};
  if (setting_.live != nullptr) {
    live_session_ = setting_.live->begin_session({engine_.engine, folder(), anchor_});
    feed_.emplace(*setting_.live, live_session_);
    all.push_back(&*feed_);
  }
  if (setting_.reports != nullptr) {
    all.push_back(&report_on_loss_);
  }
  return all;
}

RunHealth LiveSession::health(std::vector<SourceHealth> sources) const {
  PipelineCounts counts = pipeline_->counts();
  const PipelineProgress progress = pipeline_->progress();
  return {std::move(sources),
          counts.edges,
          counts.can_frames,
          progress.monitor,
          progress.writer,
          writer_->health(),
          std::move(counts.not_watched)};
}

std::vector<LiveSource> LiveSession::take_open_sources() {
  return input_->take_open_sources();
}

void LiveSession::print_summary() {
  if (setting_.options.json) {
    setting_.terminal.print(
        summary_json(totals_, engine_.engine, anchor_, {writer_->lost_items(), report_.stopped_by}));
    return;
  }
  const std::string lost = writer_->lost_items() > 0
                               ? ", " + std::to_string(writer_->lost_items()) + " items could not be recorded"
                               : std::string();
  setting_.terminal.print(totals_in_words(totals_, engine_.engine, folder() + lost));
}

void LiveSession::report_failed(const std::string& why) {
  setting_.log->warn(why);
  note("report-failed", why);
}

// Of the whole session. It may outlive this object.
void LiveSession::ask_for_last_report() {
  if (setting_.reports == nullptr) {
    return;
  }
  setting_.reports->ask({folder(), ReportQueue::Clock::now(),
                         [log = setting_.log, folder = folder()](const std::string& why) {
                           log->warn(why);
                           if (const Problem problem = add_service_line(folder, "report-failed", why)) {
                             log->warn(*problem);
                           }
                         },
                         [log = setting_.log](const std::string& path) { log->info("report in {}", path); }});
}

ExitCode LiveSession::close() {
  pipeline_->finish();
  if (setting_.reports != nullptr) {
    setting_.reports->drop(folder());
  }
  setting_.terminal.status("");
  const Problem write_problem = writer_->finish(report_.stopped_by, totals_);
  setting_.log->info("stopped: {}; session in {}", report_.stopped_by, folder());
  print_summary();
  ask_for_last_report();
  if (const std::string why = crank_not_seen(totals_, engine_.engine); setting_.options.json && !why.empty()) {
    setting_.log->warn(why);
  }
  return exit_code(write_problem);
}

ExitCode LiveSession::exit_code(const Problem& write_problem) const {
  if (write_problem) {
    return ExitCode::cannot_write;
  }
  if (report_.stopped_by == "input failed") {
    return ExitCode::bad_input;
  }
  if (writer_->lost_items() > 0 || report_.lost_items > 0 || report_.lost_bytes > 0 || report_.bad_inputs > 0 ||
      totals_.gaps() > 0) {
    return ExitCode::lossy;
  }
  return fails(totals_, setting_.options.fail_on) ? ExitCode::findings : ExitCode::done;
}

}  // namespace cw
