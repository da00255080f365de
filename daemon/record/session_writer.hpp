// Writes a session folder (SESSION_FORMAT.md) and keeps the order in which things become durable.
#pragma once

#include <atomic>
#include <chrono>
#include <cstdint>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "geometry/engine.hpp"
#include "items/item.hpp"
#include "items/observation.hpp"
#include "record/capture_writer.hpp"
#include "record/disk_file.hpp"
#include "record/session_info.hpp"
#include "record/session_totals.hpp"

namespace cw {

struct SessionSettings {
  std::string folder;  // new, or empty
  SessionInfo info;
  bool live = true;  // sync each block and each finding; a jump in the sequence is a hole to be marked
  std::uint64_t segment_bytes = 64ULL * 1024 * 1024;
  std::function<void(const std::string&)> tell;  // trouble, one line for the operator; may be empty
  FileLayer layer = {};                          // how the disk is reached
};

// Draws an id for a new session.
std::uint64_t draw_session_id();

// For each batch: append() the items, pass what the monitor says about them to the observer calls, then commit().
// One thread, but for the calls that say otherwise.
class SessionWriter final : public Observer {
 public:
  // Creates the folder and writes session.toml. `engine` must outlive the writer. An error line when the folder is in
  // use, holds files, or can't be written.
  static std::variant<std::unique_ptr<SessionWriter>, std::string> create(SessionSettings settings,
                                                                          const Engine& engine);
  ~SessionWriter() override;

  // Records items. Trouble with the disk does not stop the caller: the items are counted as lost, the operator is told,
  // and recording goes on with the marker once the disk takes data again.
  void append(const ItemBatch& batch);
  void on_finding(const Finding& finding) override;
  void on_cycle(const Cycle& cycle) override;
  void on_second(const Second& second) override;
  void on_state(const StateChange& change) override;
  // Writes the lines gathered since the last call, after the items they rest on.
  void commit();

  // True when items were lost and the disk takes data again: the sequencer is to put a batch that begins with a
  // recorder_behind gap (and a new_epoch note) into the stream; recording goes on with that batch. Any thread.
  bool wants_marker() const { return wants_marker_.load(); }

  // Trouble with the input, for service.jsonl. May be called from another thread.
  void note_input_lost(std::uint64_t items);
  void note_bad_input(std::uint64_t count, const std::string& last_error);
  // What happened to the link of a source; `event` as SESSION_FORMAT.md lists them.
  void note_link(const std::string& event, int source, const std::string& what);

  // Closes all files and writes summary.json. A problem when something of the session could not be written.
  Problem finish(const std::string& stopped_by, SessionTotals& totals);

  std::uint64_t lost_items() const { return lost_items_; }
  const std::string& folder() const { return settings_.folder; }

 private:
  SessionWriter(SessionSettings settings, const Engine& engine);
  Problem make_folder();
  Problem lock_folder();
  Problem open_files();
  bool may_record(const ItemBatch& batch);
  void recording_failed(const Problem& problem, std::uint64_t lost_items);
  void try_disk_again();
  void write_lines(DiskFile& file, std::string& lines, bool sync);
  void tell(const std::string& line);
  // A line for service.jsonl; `details` is the inside of a JSON object, for example "\"count\":3", or empty.
  void service(const std::string& event, const std::string& details);

  SessionSettings settings_;
  const Engine& engine_;
  CaptureWriter capture_;
  DiskFile events_;
  DiskFile trend_;
  DiskFile service_;
  std::mutex service_mutex_;
  int lock_ = -1;
  std::string event_lines_;  // not written yet
  std::string trend_lines_;
  std::optional<std::int64_t> first_host_ns_;
  std::uint64_t next_sequence_ = 0;
  bool any_item_ = false;
  bool in_hole_ = false;      // items are being lost
  bool disk_failed_ = false;  // ... because the disk does not take them
  std::uint64_t lost_items_ = 0;
  std::uint64_t lost_lines_ = 0;
  std::uint64_t lost_at_hole_ = 0;
  std::chrono::steady_clock::time_point last_try_;
  std::atomic<bool> wants_marker_{false};
  Problem first_problem_;
};

}  // namespace cw
