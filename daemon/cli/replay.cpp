#include "cli/replay.hpp"

#include <algorithm>
#include <atomic>
#include <boost/algorithm/string/join.hpp>
#include <chrono>
#include <csignal>
#include <filesystem>
#include <thread>
#include <utility>

#include "cli/account.hpp"
#include "cli/channel_names.hpp"
#include "cli/cycles_file.hpp"
#include "cli/engine_text.hpp"
#include "cli/file_shifts.hpp"
#include "cli/pipeline.hpp"
#include "cli/replay_source.hpp"
#include "cli/session_sources.hpp"
#include "cli/source_place.hpp"
#include "cli/terminal.hpp"
#include "cli/version.hpp"
#include "record/missing_words.hpp"

namespace cw {

namespace {

std::atomic<bool> stop_asked{false};

// While it lives, SIGINT and SIGTERM ask for a clean end.
class StopOnSignal {
 public:
  StopOnSignal() {
    stop_asked = false;
    struct sigaction action {};
    action.sa_handler = [](int) { stop_asked = true; };
    ::sigaction(SIGINT, &action, &old_interrupt_);
    ::sigaction(SIGTERM, &action, &old_terminate_);
  }
  StopOnSignal(const StopOnSignal&) = delete;
  StopOnSignal& operator=(const StopOnSignal&) = delete;
  ~StopOnSignal() {
    ::sigaction(SIGINT, &old_interrupt_, nullptr);
    ::sigaction(SIGTERM, &old_terminate_, nullptr);
  }

 private:
  struct sigaction old_interrupt_ {};
  struct sigaction old_terminate_ {};
};

// Holds items back so that their host time runs at `speed` times real time.
class Pace {
 public:
  explicit Pace(double speed) : speed_(speed) {}

  // Passes `items` on in pieces of 20 ms of their own time, each when it is due.
  void hand_on(ItemBuffer&& items, Pipeline& pipeline) {
    constexpr std::int64_t piece_ns = 20'000'000;
    if (speed_ <= 0) {
      pipeline.push(std::move(items));
      return;
    }
    ItemBuffer piece;
    for (const Item& item : items.items) {
      if (!piece.items.empty() && item.host_ns - piece.items.front().host_ns >= piece_ns) {
        send(std::exchange(piece, {}), pipeline);
      }
      piece.add_copy(item, items.payload);
    }
    send(std::move(piece), pipeline);
  }

 private:
  void send(ItemBuffer piece, Pipeline& pipeline) {
    if (piece.items.empty()) {
      return;
    }
    const std::int64_t now_ns = piece.items.back().host_ns;
    if (!begun_) {
      begun_ = true;
      first_ns_ = piece.items.front().host_ns;
      begin_ = std::chrono::steady_clock::now();
    }
    const std::chrono::duration<double> due(static_cast<double>(now_ns - first_ns_) * 1e-9 / speed_);
    const auto at = begin_ + std::chrono::duration_cast<std::chrono::steady_clock::duration>(due);
    constexpr std::chrono::milliseconds look_up{50};  // so often a signal is looked for
    while (!stop_asked && std::chrono::steady_clock::now() < at) {
      std::this_thread::sleep_until(std::min(at, std::chrono::steady_clock::now() + look_up));
    }
    pipeline.push(std::move(piece));
  }

  double speed_;
  bool begun_ = false;
  std::int64_t first_ns_ = 0;
  std::chrono::steady_clock::time_point begin_;
};

std::variant<EngineText, std::string> engine_for(const ReplayOptions& options, const ReplaySource& source) {
  if (!options.engine.empty()) {
    return read_engine_text(options.engine);
  }
  const std::string& input = options.inputs.front();
  const SessionReader* session = source.session();
  if (session == nullptr) {
    return input + ": expected --engine FILE with a raw file";
  }
  if (!session->info()) {
    return session->info_problem() + " (--engine FILE replays it with another engine file)";
  }
  if (session->info()->engine_file_text.empty()) {
    return input + ": its engine file is not known: expected --engine FILE";
  }
  return engine_text_of(*session->info(), input);
}

std::string in_words(const std::vector<std::string>& inputs) {
  return boost::algorithm::join(inputs, ", ");
}

// Says how the channels of raw files are called and how their clocks hang together; what is wrong with that, if anything.
std::optional<std::string> begin_input(const ReplayOptions& options, const Engine& engine, ReplaySource& source) {
  auto shifts = file_shifts(options.inputs, options.shifts, options.same_clock);
  if (auto* error = std::get_if<std::string>(&shifts)) {
    return std::move(*error);
  }
  if (source.session() != nullptr) {
    return options.channels.empty() ? std::nullopt
                                    : std::optional<std::string>(
                                          "--channels: expected a raw file, found a session "
                                          "(its channels were named when it was recorded)");
  }
  auto names = channel_names(options.channels, engine);
  if (auto* error = std::get_if<std::string>(&names)) {
    return std::move(*error);
  }
  source.begin_files(std::get<ChannelNames>(names), std::get<std::vector<std::int64_t>>(shifts));
  return std::nullopt;
}

std::variant<SessionInfo, std::string> session_info_for(const ReplaySource& source, const EngineText& engine) {
  SessionInfo info;
  info.program = program_version();
  info.made_by = "replay";
  info.id = draw_session_id();
  info.engine_file_name = engine.name;
  info.engine_file_text = engine.text;
  info.signal_maps = engine.map_texts;
  info.baseline_name = engine.engine.baseline_file;
  info.baseline_text = engine.baseline_text;
  if (const SessionReader* session = source.session()) {
    if (session->info()) {
      info.anchor = session->info()->anchor;
      info.sources = session->info()->sources;
      info.engine_replaced = session->info()->engine_file_text != engine.text ||
                             session->info()->signal_maps != engine.map_texts ||
                             session->info()->baseline_text != engine.baseline_text;
    }
  } else {
    info.sources = source.source_infos();
  }
  for (const std::string& file : source.files()) {
    auto hashed = hash_file(file);
    if (auto* error = std::get_if<std::string>(&hashed)) {
      return std::move(*error);
    }
    info.made_from.push_back(std::move(std::get<MadeFrom>(hashed)));
  }
  return info;
}

// One replay from its parts being open to its end.
class ReplayWork {
 public:
  ReplayWork(const ReplayOptions& options, ReplaySource& source, EngineText engine)
      : options_(options), source_(source), engine_(std::move(engine)), totals_(engine_.engine, engine_.maps) {}

  std::optional<std::string> open_outputs();
  ExitCode run(Terminal& terminal);
  const Engine& engine() const { return engine_.engine; }
  // Observations go there, and nothing is printed.
  void pass_to(Observer& observer) { instead_ = &observer; }

 private:
  void feed(Pipeline& pipeline, Terminal& terminal);
  ExitCode end(Terminal& terminal);
  void print_summary(Terminal& terminal, const std::string& recording);
  std::optional<WallAnchor> anchor() const;

  const ReplayOptions& options_;
  ReplaySource& source_;
  EngineText engine_;
  SessionTotals totals_;
  std::unique_ptr<SessionWriter> session_;
  std::unique_ptr<CyclesFile> cycles_;
  Observer* instead_ = nullptr;  // of the account
};

std::optional<WallAnchor> ReplayWork::anchor() const {
  const SessionReader* session = source_.session();
  return session != nullptr && session->info() ? session->info()->anchor : std::nullopt;
}

std::optional<std::string> ReplayWork::open_outputs() {
  if (!options_.out.empty()) {
    auto info = session_info_for(source_, engine_);
    if (auto* error = std::get_if<std::string>(&info)) {
      return std::move(*error);
    }
    SessionSettings settings;
    settings.folder = options_.out;
    settings.info = std::move(std::get<SessionInfo>(info));
    settings.live = false;
    auto session = SessionWriter::create(std::move(settings), engine_.engine);
    if (auto* error = std::get_if<std::string>(&session)) {
      return std::move(*error);
    }
    session_ = std::move(std::get<std::unique_ptr<SessionWriter>>(session));
  }
  if (!options_.cycles.empty()) {
    cycles_ = std::make_unique<CyclesFile>(options_.cycles, engine_.engine);
    if (cycles_->problem()) {
      return *cycles_->problem();
    }
  }
  return std::nullopt;
}

void ReplayWork::feed(Pipeline& pipeline, Terminal& terminal) {
  Progress progress(terminal, "Replay", source_.bytes_total());
  Pace pace(options_.speed);
  const auto hand_on = [&](ItemBuffer&& items) { pace.hand_on(std::move(items), pipeline); };
  while (!stop_asked && source_.next(hand_on)) {
    progress.show(source_.bytes_done());
  }
}

ExitCode ReplayWork::run(Terminal& terminal) {
  const StopOnSignal stop_on_signal;
  if (!options_.json && instead_ == nullptr) {
    terminal.print(program_version() + ", replay of " + in_words(options_.inputs) + "\nEngine: " + engine_.engine.name +
                   " (" + engine_.name + ")\n\n");
  }
  Account account(terminal, totals_, {.json = options_.json, .anchor = anchor()});
  PipelineSettings settings;
  settings.session = session_.get();
  settings.totals = &totals_;
  settings.maps = engine_.maps;
  settings.observers.push_back(instead_ != nullptr ? instead_ : &account);
  if (cycles_) {
    settings.observers.push_back(cycles_.get());
  }
  {
    Pipeline pipeline(engine_.engine, std::move(settings));
    feed(pipeline, terminal);
    pipeline.finish();
  }
  return end(terminal);
}

void ReplayWork::print_summary(Terminal& terminal, const std::string& recording) {
  if (options_.json) {
    terminal.print(summary_json(totals_, engine_.engine, anchor(), {0, "end of input"}));
  } else {
    terminal.print(totals_in_words(totals_, engine_.engine, recording));
  }
}

ExitCode ReplayWork::end(Terminal& terminal) {
  const bool stopped = stop_asked;
  const std::string reason = stopped ? "signal" : source_.error().empty() ? "end of input" : "bad input";
  Problem write_problem;
  if (session_) {
    write_problem = session_->finish(reason, totals_);
  } else {
    totals_.finish();
  }
  if (cycles_) {
    Problem problem = cycles_->finish();
    write_problem = write_problem ? write_problem : problem;
  }
  const std::string missing =
      source_.session() != nullptr ? missing_in_words(source_.session()->report(), anchor()) : "";
  if (instead_ == nullptr) {
    print_summary(terminal, options_.out.empty() ? "" : "written to " + options_.out);
  }
  if (const std::string why = crank_not_seen(totals_, engine_.engine);
      (options_.json || instead_ != nullptr) && !why.empty()) {
    terminal.complain("crankwitness: " + in_words(options_.inputs) + ": " + why);
  }
  if (!missing.empty()) {
    terminal.complain("crankwitness: " + options_.inputs.front() + ": " + missing);
  }
  if (!source_.error().empty()) {
    terminal.complain("crankwitness: " + source_.error());
  }
  if (write_problem) {
    terminal.complain("crankwitness: " + *write_problem);
    return ExitCode::cannot_write;
  }
  if (!source_.error().empty()) {
    return ExitCode::bad_input;
  }
  if (stopped) {
    return ExitCode::stopped;
  }
  if (!missing.empty() || totals_.gaps() > 0) {
    return ExitCode::lossy;
  }
  return fails(totals_, options_.fail_on) ? ExitCode::findings : ExitCode::done;
}

std::string outside_expected(const std::string& target, const std::string& input) {
  return target + ": expected a place outside of what is replayed (" + input + ")";
}

ExitCode replay_input(const ReplayOptions& options, const BeginReplay* begin) {
  Terminal terminal;
  const auto refuse = [&](ExitCode code, const std::string& why) {
    terminal.complain("crankwitness: " + why);
    return code;
  };
  for (const std::string& target : {options.out, options.cycles}) {
    const auto inside = std::find_if(options.inputs.begin(), options.inputs.end(), [&](const std::string& input) {
      return !target.empty() && would_write_into(target, input);
    });
    if (inside != options.inputs.end()) {
      return refuse(ExitCode::usage, outside_expected(target, *inside));
    }
  }
  auto source = ReplaySource::open(options.inputs);
  if (auto* error = std::get_if<std::string>(&source)) {
    return refuse(ExitCode::bad_input, *error);
  }
  auto& opened = std::get<ReplaySource>(source);
  auto engine = engine_for(options, opened);
  if (auto* error = std::get_if<std::string>(&engine)) {
    return refuse(ExitCode::usage, *error);
  }
  if (auto error = begin_input(options, std::get<EngineText>(engine).engine, opened)) {
    return refuse(ExitCode::usage, *error);
  }
  const SessionReader* session = opened.session();
  if (session != nullptr && session->info()) {
    use_sources(session->info()->sources, std::get<EngineText>(engine).engine);
  }
  ReplayWork work(options, opened, std::move(std::get<EngineText>(engine)));
  if (auto error = work.open_outputs()) {
    return refuse(ExitCode::cannot_write, *error);
  }
  if (begin != nullptr) {
    auto observer = (*begin)(work.engine());
    if (auto* error = std::get_if<std::string>(&observer)) {
      return refuse(ExitCode::usage, *error);
    }
    work.pass_to(*std::get<Observer*>(observer));
  }
  return work.run(terminal);
}

}  // namespace

ExitCode replay(const ReplayOptions& options) {
  return replay_input(options, nullptr);
}

ExitCode replay_to(const ReplayOptions& options, const BeginReplay& begin) {
  return replay_input(options, &begin);
}

}  // namespace cw
