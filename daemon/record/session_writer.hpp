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
#include "record/black_box.hpp"
#include "record/capture_writer.hpp"
#include "record/disk_file.hpp"
#include "record/removed_ranges.hpp"
#include "record/retry_file.hpp"
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
  // What follows is for live sessions.
  std::optional<BlackBoxSettings> black_box;    // only the windows around warnings and faults stay
  std::uint64_t free_floor_bytes = 0;           // with less room on the disk items are not recorded, findings are
  std::int64_t segment_ns = 0;                  // a segment spans so much host time; 0: as much as fits
  std::chrono::milliseconds look_every{1000};   // so often the disk is looked at, and tried while it is in trouble
  std::chrono::milliseconds stall_after{1000};  // a disk that takes longer for one thing is told
};

// How recording goes, for whoever looks while it does.
struct RecordingHealth {
  bool recording = false;                   // what comes is being written
  std::string trouble;                      // why it is not, in words
  std::uint64_t lost_items = 0;             // of the session: seen live, not in the capture
  double waits_for_disk_s = 0;              // so long the disk has not answered; 0: nothing is asked of it
  std::optional<std::uint64_t> free_bytes;  // on the disk, when it was last looked at
};

// Adds a line to the service.jsonl of a session that has been closed; `event` as SESSION_FORMAT.md lists them.
Problem add_service_line(const std::string& folder, const std::string& event, const std::string& what);

// Draws an id for a new session.
std::uint64_t draw_session_id();

// For each batch: append() the items, pass what the monitor says about them to the observer calls, then commit(), at once
// or after a few batches: what is found is on the disk only then.
// One thread, but for the calls that say otherwise.
class SessionWriter final : public Observer {
 public:
  // Creates the folder and writes session.toml. `engine` must outlive the writer. An error line when the folder is in
  // use, holds files, or can't be written.
  static std::variant<std::unique_ptr<SessionWriter>, std::string> create(SessionSettings settings,
                                                                          const Engine& engine);
  ~SessionWriter() override;

  // Records items. Trouble with the disk (it is full, refuses, is gone, or has less room than the floor) does not stop
  // the caller: the items are counted as lost, the operator is told once when it begins and once when it is over, and
  // recording goes on with the marker once the disk takes data again. Findings wait in memory.
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

  // Tells the operator, once, that the disk has not answered for stall_after. Any thread but the writing one, which
  // waits then; to be called several times a second.
  void look_for_stall();

  // What goes into service.jsonl with the next commit(). May be called from another thread: never waits for the disk.
  void note_input_lost(std::uint64_t items);
  void note_bad_input(std::uint64_t count, const std::string& last_error);
  // What happened to the link of a source; `event` as SESSION_FORMAT.md lists them.
  void note_link(const std::string& event, int source, const std::string& what);
  void note_removed_sessions(const std::string& what, std::uint64_t bytes);

  // Of the session as a whole; `event` as SESSION_FORMAT.md lists them.
  void note_event(const std::string& event, const std::string& what);

  // Closes all files and writes summary.json. A problem when something of the session could not be written.
  Problem finish(const std::string& stopped_by, SessionTotals& totals);

  std::uint64_t lost_items() const { return lost_items_; }
  // Any thread.
  RecordingHealth health() const;
  const std::string& folder() const { return settings_.folder; }

 private:
  enum class Trouble : std::uint8_t {
    none,
    refused,  // the disk does not take what is written: full, read-only, broken
    gone,     // the folder is no longer there
    low_room  // less than the floor
  };

  SessionWriter(SessionSettings settings, const Engine& engine);
  Problem make_folder();
  Problem lock_folder();
  Problem open_files();
  Problem begin_recording();
  bool may_record(const ItemBatch& batch);
  bool close_block();
  void begin_hole(std::uint64_t lost_items);
  void recording_failed(const Problem& problem, std::uint64_t lost_items, Trouble trouble = Trouble::refused);
  void begin_trouble(Trouble trouble, const std::string& what);
  void look_at_disk();
  bool is_gone() const;
  void look_at_place();
  void look_at_room();
  bool has_room();
  std::int64_t look_at_free_bytes();
  void keep_health();
  void try_disk_again();
  void end_trouble();
  Problem come_back();
  Problem reopen_files();
  bool is_our_folder() const;
  void gather_service_lines();
  Problem write_lines(bool at_once);
  void roll_black_box(std::int64_t now_ns);
  void tell(const std::string& line);
  // A line for service.jsonl; `details` is the inside of a JSON object, for example "\"count\":3", or empty.
  void service(const std::string& event, const std::string& details);

  // While it lives the writing thread may be waiting for the disk.
  class Busy;

  // A text file, and from when on it is tried again after it could not be written.
  struct Lines {
    RetryFile file;
    std::chrono::steady_clock::time_point try_at = {};
  };

  SessionSettings settings_;
  const Engine& engine_;
  CaptureWriter capture_;
  Lines events_;
  Lines trend_;
  Lines service_;
  mutable std::mutex service_mutex_;
  std::string service_lines_;  // from any thread, not in service_ yet; guarded by service_mutex_
  std::string trouble_told_;   // in words, while not all is recorded; guarded by service_mutex_
  int lock_ = -1;
  std::optional<BlackBox> black_box_;
  RemovedRanges removed_;
  std::optional<std::int64_t> first_host_ns_;
  std::uint64_t next_sequence_ = 0;
  bool any_item_ = false;
  bool in_hole_ = false;  // items are being lost
  Trouble trouble_ = Trouble::none;
  std::optional<FileIdentity> place_;         // of the capture folder
  std::optional<std::uint64_t> parent_disk_;  // that the folder was made on
  std::atomic<std::uint64_t> lost_items_{0};
  std::uint64_t lost_at_hole_ = 0;
  std::uint64_t lost_lines_told_ = 0;
  std::chrono::steady_clock::time_point last_look_;
  std::atomic<std::int64_t> busy_since_ns_{0};  // 0: the writing thread does not wait for the disk
  std::atomic<bool> stall_told_{false};
  std::atomic<bool> wants_marker_{false};
  std::atomic<bool> recording_{true};
  std::atomic<std::int64_t> free_bytes_{-1};  // not known
  std::string trouble_words_;                 // of the last trouble
  Problem first_problem_;
};

}  // namespace cw
