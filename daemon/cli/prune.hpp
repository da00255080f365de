// `crankwitness prune`, and the same at work while `run` records: old sessions lose their idle running.
#pragma once

#include <condition_variable>
#include <functional>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "cli/exit_code.hpp"
#include "geometry/engine.hpp"
#include "record/retention.hpp"
#include "record/session_writer.hpp"

namespace cw {

struct PruneOptions {
  std::string folder;
  std::optional<double> keep_days;
  std::optional<double> keep_gib;
  double lead_in_s = RecordSpec{}.lead_in_s;
  double after_s = RecordSpec{}.after_s;
  bool dry_run = false;
};

// Lists what goes and what is left alone, and removes it unless it is a dry run. `usage` when neither limit is given,
// `cannot_write` when something could not be removed.
ExitCode prune(const PruneOptions& options);

// While it lives, a thread of its own keeps the folder of the engine file's [record] within its limits: at once, and
// every ten minutes. Does nothing when no limit is given.
class RetentionWatch {
 public:
  // `session` gets a line in its service.jsonl for each session that lost something, and must outlive the watch; `tell`
  // gets problems, once each, from that thread.
  RetentionWatch(const RecordSpec& record, SessionWriter& session, std::function<void(const std::string&)> tell);
  RetentionWatch(const RetentionWatch&) = delete;
  RetentionWatch& operator=(const RetentionWatch&) = delete;
  ~RetentionWatch();

 private:
  void run();
  void keep_once();
  void complain(const std::string& problem);

  RecordSpec record_;
  SessionWriter& session_;
  std::function<void(const std::string&)> tell_;
  std::string last_problem_;
  std::mutex mutex_;
  std::condition_variable wake_;
  bool ending_ = false;
  std::thread thread_;
};

}  // namespace cw
