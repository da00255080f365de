// One session of `run`: its folder, its threads, its account.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "cli/account.hpp"
#include "cli/engine_text.hpp"
#include "cli/exit_code.hpp"
#include "cli/live_input.hpp"
#include "cli/log.hpp"
#include "cli/prune.hpp"
#include "cli/report_queue.hpp"
#include "cli/run.hpp"
#include "cli/service_manager.hpp"
#include "record/session_totals.hpp"
#include "record/session_writer.hpp"
#include "serve/live_state.hpp"

namespace cw {

// What all sessions of one run share. The terminal must outlive them.
struct LiveSetting {
  const RunOptions& options;
  Terminal& terminal;
  std::shared_ptr<spdlog::logger> log;
  bool journal = false;
  LiveState* live = nullptr;       // what the page shows; nullptr: nothing is served
  bool again = false;              // a session was written before: a folder of --out is taken
  ReportQueue* reports = nullptr;  // nullptr: none are made
};

class LiveSession {
 public:
  // Makes the folder; an error line when that can't be done. Nothing is listened to yet.
  static std::variant<std::unique_ptr<LiveSession>, std::string> create(const LiveSetting& setting, EngineText engine,
                                                                        std::vector<SourceInfo> sources);
  LiveSession(const LiveSession&) = delete;
  LiveSession& operator=(const LiveSession&) = delete;
  ~LiveSession();

  // Listens and records until a signal or the end of the input; what it came to. Call once.
  const LiveReport& listen(std::vector<LiveSource> sources, const Signals& signals, LiveHooks hooks);
  // After that: the sources that may go on in the next session.
  std::vector<LiveSource> take_open_sources();
  // Then: writes all that is still on its way, closes the files, prints the summary. May take as long as the disk does.
  ExitCode close();

  // Instead of all that: closes the folder without having listened.
  void cancel() { writer_->finish("signal", totals_); }

  const std::string& folder() const { return writer_->folder(); }
  // When the threads last made progress. Only while it listens, on the input's thread.
  PipelineProgress progress() const { return pipeline_->progress(); }
  // A line for service.jsonl.
  void note(const std::string& event, const std::string& what) { writer_->note_event(event, what); }

 private:
  LiveSession(const LiveSetting& setting, EngineText engine);
  ExitCode exit_code(const Problem& write_problem) const;
  void report_failed(const std::string& why);
  void ask_for_last_report();
  void print_summary();
  std::vector<Observer*> observers();
  RunHealth health(std::vector<SourceHealth> sources) const;

  LiveSetting setting_;
  EngineText engine_;
  std::unique_ptr<SessionWriter> writer_;
  std::optional<WallAnchor> anchor_;
  SessionTotals totals_{engine_.engine, engine_.maps};
  std::unique_ptr<Account> account_;
  StatusNotice status_;
  unsigned live_session_ = 0;  // its number in LiveState
  std::optional<SessionFeed> feed_;
  ReportOnLoss report_on_loss_;
  LiveReport report_;
  std::unique_ptr<Pipeline> pipeline_;
  std::unique_ptr<LiveInput> input_;
  std::unique_ptr<RetentionWatch> retention_;
};

}  // namespace cw
