// What the live page, status and metrics show: the latest state of a run, handed over by the threads that know it and
// copied by the one that serves. Nobody waits for a page: a hand-over or a copy holds the lock for microseconds.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "geometry/engine.hpp"
#include "items/observation.hpp"
#include "record/session_writer.hpp"
#include "record/wall_time.hpp"

namespace cw {

using SteadyTime = std::chrono::steady_clock::time_point;

// A source as the input sees it.
struct SourceHealth {
  std::string driver;
  std::string address;
  bool open = false;                // it is there; what it sends is another question
  std::optional<SteadyTime> heard;  // when something last came
  std::uint64_t bad_inputs = 0;     // lines or frames that could not be read
};

// What the input and those behind it say of themselves, ten times a second.
struct RunHealth {
  std::vector<SourceHealth> sources;
  std::uint64_t edges = 0;  // of the session, all channels
  std::uint64_t can_frames = 0;
  SteadyTime monitor_done;  // when the analysis last finished a piece of work
  SteadyTime writer_done;   // ... and the writer
  RecordingHealth recording;
  std::vector<std::string> not_watched;  // as summary.json has it
};

// What a session is, told when it begins.
struct SessionFacts {
  Engine engine;
  std::string folder;
  std::optional<WallAnchor> anchor;
};

// A finding with what became of it since.
struct ToldFinding {
  Finding finding;
  std::int64_t wall_ns = 0;             // when it was told
  std::optional<std::int64_t> over_ns;  // wall time, of a condition that has ended
  bool is_open() const { return finding.phase == FindingPhase::open && !over_ns; }
};

// A row of the rolling plots: one a second.
struct PlotRow {
  std::uint64_t number = 0;  // counts up over all sessions of a run
  std::int64_t wall_ns = 0;
  Second second;
};

// Counts since the program began; they never fall, whatever sessions begin.
struct RunCounts {
  std::uint64_t sessions = 0;
  std::uint64_t cycles = 0;
  std::uint64_t edges = 0;  // all channels
  std::uint64_t can_frames = 0;
  std::uint64_t crank_edges = 0;
  std::uint64_t extra_edges = 0;
  std::uint64_t missed_edges = 0;
  std::uint64_t lost_items = 0;                                        // before analysis
  std::uint64_t unrecorded_items = 0;                                  // analysed, not recorded
  std::map<std::pair<FindingKind, Severity>, std::uint64_t> findings;  // `close` is not counted again
};

// A copy of all that at one moment.
struct LiveStatus {
  std::string program;
  std::int64_t started_wall_ns = 0;
  std::int64_t session_wall_ns = 0;
  SteadyTime now;
  std::int64_t now_wall_ns = 0;
  bool stopping = false;  // the run ends: what is shown is the last
  std::shared_ptr<const SessionFacts> session = std::make_shared<SessionFacts>();
  LockState state = LockState::no_signal;
  SteadyTime state_since;
  std::optional<Second> second;  // latest; nothing in the first second of a session
  std::optional<Cycle> cycle;    // latest, of this session
  SteadyTime cycle_at;
  std::optional<SteadyTime> told;  // when the analysis last said anything
  std::optional<SteadyTime> last_edge;
  RunHealth health;
  RunCounts counts;
  std::vector<ToldFinding> findings;  // newest first; conditions that are open stay however old they are
  std::uint64_t findings_version = 0;
  std::uint64_t next_row = 0;
};

// Seconds from `then` to the moment of the copy.
double age_s(const LiveStatus& status, SteadyTime then);
// Whether the analysis has said nothing for `stale_after`: what is shown is no longer so.
inline constexpr std::chrono::seconds stale_after{3};
bool is_stale(const LiveStatus& status);
// Whether the edges that come are being written to the disk.
bool is_recording(const LiveStatus& status);
// The gravest that is open or was told within the last ten minutes; info when there is none.
Severity gravest_lately(const LiveStatus& status);

// Any thread.
class LiveState {
 public:
  static constexpr std::size_t findings_max = 20;
  static constexpr std::size_t open_findings_max = 50;
  static constexpr std::size_t rows_max = 900;

  explicit LiveState(std::string program);

  // A session begins; its number goes with what is told of it. What an older one still has to say counts, and changes no
  // state.
  unsigned begin_session(SessionFacts facts);
  void take(unsigned session, const Finding& finding, std::int64_t wall_ns);
  void take(unsigned session, const Cycle& cycle);
  void take(unsigned session, const Second& second);
  void take(unsigned session, const StateChange& change);
  void take(unsigned session, RunHealth health);
  void stopping();

  LiveStatus status() const;
  // Rows with a number of at least `first`, oldest first.
  std::vector<PlotRow> rows(std::uint64_t first) const;

 private:
  void drop_old_findings();

  mutable std::mutex mutex_;
  LiveStatus status_;
  std::deque<PlotRow> rows_;
  unsigned session_ = 0;
  // Of the session: what has been added to the counts.
  std::uint64_t edges_added_ = 0;
  std::uint64_t can_frames_added_ = 0;
  std::uint64_t unrecorded_added_ = 0;
};

// Passes what the monitor says of one session on.
class SessionFeed final : public Observer {
 public:
  SessionFeed(LiveState& state, unsigned session) : state_(state), session_(session) {}
  void on_finding(const Finding& finding) override { state_.take(session_, finding, wall_now_ns()); }
  void on_cycle(const Cycle& cycle) override { state_.take(session_, cycle); }
  void on_second(const Second& second) override { state_.take(session_, second); }
  void on_state(const StateChange& change) override { state_.take(session_, change); }

 private:
  LiveState& state_;
  unsigned session_;
};

}  // namespace cw
