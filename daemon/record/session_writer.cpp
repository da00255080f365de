#include "record/session_writer.hpp"

#include <algorithm>
#include <cerrno>
#include <random>
#include <utility>

#include "record/observation_text.hpp"

namespace cw {

namespace {

using SteadyClock = std::chrono::steady_clock;

// Bytes of lines kept while the disk does not take them. A finding is some 1,200 bytes: 16 MiB hold 13,000, and of one
// kind at most ten a second pass the monitor.
constexpr std::size_t waiting_events_max = std::size_t{16} * 1024 * 1024;
constexpr std::size_t waiting_rows_max = std::size_t{1024} * 1024;  // of trend.csv, and of service.jsonl: hours
// Room kept on the disk for findings when nothing else can be written: some 800 of them.
constexpr std::uint64_t events_reserve = 1024ULL * 1024;
constexpr std::uint64_t service_reserve = 64ULL * 1024;
// A disk that was full is recorded to again when it has this much room, or a quarter more than the floor: else each
// freed block would begin and end a span of its own.
constexpr std::uint64_t room_to_go_on = 1024ULL * 1024;

std::int64_t steady_now_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(SteadyClock::now().time_since_epoch()).count();
}

std::string json_text(const std::string& key, const std::string& value) {
  std::string out = "\"" + key + "\":";
  append_json_string(out, value);
  return out;
}

std::string service_line(const std::string& event, const std::string& details) {
  const std::string line = "{" + json_text("time", rfc3339(wall_now_ns(), 3)) + "," + json_text("event", event);
  return line + (details.empty() ? "}\n" : "," + details + "}\n");
}

std::string seconds_text(std::int64_t ns) {
  std::string text;
  append_fixed(text, static_cast<double>(ns) * 1e-9, 1);
  return text;
}

std::string parent_of(const std::string& folder) {
  const std::size_t end = folder.find_last_not_of('/');
  const std::size_t slash = end == std::string::npos ? end : folder.rfind('/', end);
  if (slash == std::string::npos) {
    return ".";
  }
  return slash == 0 ? "/" : folder.substr(0, slash);
}

CaptureSettings capture_settings(const SessionSettings& settings) {
  CaptureSettings capture{settings.folder + "/capture", settings.info.id, settings.live,
                          settings.segment_bytes,       BlockCodec::zstd, settings.layer};
  capture.segment_ns = settings.black_box ? settings.black_box->segment_ns() : settings.segment_ns;
  return capture;
}

}  // namespace

class SessionWriter::Busy {
 public:
  explicit Busy(SessionWriter& writer) : writer_(writer), since_ns_(steady_now_ns()) {
    writer_.busy_since_ns_ = since_ns_;
  }
  Busy(const Busy&) = delete;
  Busy& operator=(const Busy&) = delete;
  ~Busy() {
    writer_.busy_since_ns_ = 0;
    const std::int64_t took_ns = steady_now_ns() - since_ns_;
    if (!writer_.settings_.live || std::chrono::nanoseconds(took_ns) < writer_.settings_.stall_after) {
      return;
    }
    writer_.stall_told_ = false;
    writer_.service("disk-stalled", "\"for_s\":" + seconds_text(took_ns));
    writer_.tell(writer_.settings_.folder + ": the disk answered again after " + seconds_text(took_ns) +
                 " s; what came meanwhile is written now");
  }

 private:
  SessionWriter& writer_;
  std::int64_t since_ns_;
};

Problem add_service_line(const std::string& folder, const std::string& event, const std::string& what) {
  DiskFile file;
  Problem problem = file.reopen(folder + "/service.jsonl");
  problem = problem ? problem : file.append(service_line(event, json_text("what", what)));
  problem = problem ? problem : file.sync();
  const Problem closing = file.close();
  return problem ? problem : closing;
}

std::uint64_t draw_session_id() {
  std::random_device device;
  return (static_cast<std::uint64_t>(device()) << 32U) | device();
}

SessionWriter::SessionWriter(SessionSettings settings, const Engine& engine)
    : settings_(std::move(settings)),
      engine_(engine),
      capture_(capture_settings(settings_)),
      events_{RetryFile(settings_.layer, waiting_events_max, settings_.live ? events_reserve : 0)},
      trend_{RetryFile(settings_.layer, waiting_rows_max, 0)},
      service_{RetryFile(settings_.layer, waiting_rows_max, settings_.live ? service_reserve : 0)} {
  if (settings_.black_box) {
    black_box_.emplace(*settings_.black_box);
  }
}

SessionWriter::~SessionWriter() {
  if (lock_ >= 0) {
    settings_.layer.close(lock_);
  }
}

std::variant<std::unique_ptr<SessionWriter>, std::string> SessionWriter::create(SessionSettings settings,
                                                                                const Engine& engine) {
  std::unique_ptr<SessionWriter> writer(new SessionWriter(std::move(settings), engine));
  for (const auto step : {&SessionWriter::make_folder, &SessionWriter::lock_folder, &SessionWriter::open_files,
                          &SessionWriter::begin_recording}) {
    if (Problem problem = (writer.get()->*step)()) {
      return *problem;
    }
  }
  return writer;
}

Problem SessionWriter::make_folder() {
  return make_new_folder(settings_.layer, settings_.folder);
}

Problem SessionWriter::lock_folder() {
  const std::string path = settings_.folder + "/lock";
  const int lock = settings_.layer.lock(path);
  if (lock == -EWOULDBLOCK) {
    return settings_.folder + ": expected a folder of its own, found another program writing to it";
  }
  if (lock < 0) {
    return disk_problem(path, "cannot create", -lock);
  }
  if (lock_ >= 0) {
    settings_.layer.close(lock_);
  }
  lock_ = lock;
  return std::nullopt;
}

Problem SessionWriter::open_files() {
  const std::string& folder = settings_.folder;
  if (Problem problem = make_folders(settings_.layer, folder + "/capture")) {
    return problem;
  }
  if (Problem problem = write_whole_file(settings_.layer, folder + "/session.toml", session_toml(settings_.info))) {
    return problem;
  }
  Problem problem = events_.file.create(folder + "/events.jsonl", {});
  problem = problem ? problem : trend_.file.create(folder + "/trend.csv", trend_header(engine_));
  problem = problem ? problem : service_.file.create(folder + "/service.jsonl", {});
  place_ = settings_.layer.identity(folder + "/capture");
  return problem ? problem : sync_folder(settings_.layer, folder);
}

Problem SessionWriter::begin_recording() {
  if (Problem problem = capture_.begin_segment()) {
    return problem;
  }
  if (const auto parent = settings_.layer.identity(parent_of(settings_.folder))) {
    parent_disk_ = parent->disk;
  }
  service("start", json_text("program", settings_.info.program));
  commit();
  return std::nullopt;
}

void SessionWriter::tell(const std::string& line) {
  if (settings_.tell) {
    settings_.tell(line);
  }
}

void SessionWriter::service(const std::string& event, const std::string& details) {
  const std::string line = service_line(event, details);
  const std::lock_guard lock(service_mutex_);
  if (service_lines_.size() < waiting_rows_max) {
    service_lines_ += line;
  }
}

void SessionWriter::note_input_lost(std::uint64_t items) {
  service("input-lost", "\"lost_items\":" + std::to_string(items));
}

void SessionWriter::note_bad_input(std::uint64_t count, const std::string& last_error) {
  service("bad-input", "\"count\":" + std::to_string(count) + "," + json_text("last_error", last_error));
}

void SessionWriter::note_link(const std::string& event, int source, const std::string& what) {
  service(event, "\"source\":" + std::to_string(source) + "," + json_text("what", what));
}

void SessionWriter::note_event(const std::string& event, const std::string& what) {
  service(event, json_text("what", what));
}

void SessionWriter::note_removed_sessions(const std::string& what, std::uint64_t bytes) {
  service("old-session-removed", json_text("what", what) + ",\"bytes\":" + std::to_string(bytes));
}

void SessionWriter::look_for_stall() {
  const std::int64_t since_ns = busy_since_ns_;
  if (!settings_.live || since_ns == 0 ||
      std::chrono::nanoseconds(steady_now_ns() - since_ns) < settings_.stall_after) {
    return;
  }
  if (!stall_told_.exchange(true)) {
    tell(settings_.folder + ": the disk does not answer; analysis goes on, and what comes waits in memory");
  }
}

RecordingHealth SessionWriter::health() const {
  RecordingHealth health;
  health.recording = recording_;
  health.lost_items = lost_items_;
  if (const std::int64_t since_ns = busy_since_ns_; since_ns != 0) {
    health.waits_for_disk_s = static_cast<double>(steady_now_ns() - since_ns) * 1e-9;
  }
  if (const std::int64_t free = free_bytes_; free >= 0) {
    health.free_bytes = static_cast<std::uint64_t>(free);
  }
  const std::lock_guard lock(service_mutex_);
  health.trouble = trouble_told_;
  return health;
}

void SessionWriter::keep_health() {
  const bool recording = !in_hole_ && trouble_ == Trouble::none;
  if (recording_.exchange(recording) != recording) {
    const std::lock_guard lock(service_mutex_);
    trouble_told_ = recording ? std::string() : trouble_words_;
  }
}

// ---- what is recorded

void SessionWriter::begin_hole(std::uint64_t lost_items) {
  if (!in_hole_) {
    lost_at_hole_ = lost_items_;
  }
  in_hole_ = true;
  lost_items_ += lost_items;
}

// Whether the items are to be recorded; in a hole only a marker is, and it ends the hole.
bool SessionWriter::may_record(const ItemBatch& batch) {
  if (!settings_.live) {
    return !in_hole_;
  }
  const std::uint64_t skipped = any_item_ ? batch.items.front().sequence - next_sequence_ : 0;
  if (in_hole_) {
    lost_items_ += skipped;
    if (!is_marker(batch.items.front()) || !wants_marker_) {
      return false;
    }
    in_hole_ = false;
    wants_marker_ = false;
    const std::uint64_t lost = lost_items_ - lost_at_hole_;
    service("recording-resumed", "\"lost_items\":" + std::to_string(lost));
    tell(settings_.folder + ": recording again, " + std::to_string(lost) + " items were lost");
    return true;
  }
  if (skipped == 0) {
    return true;
  }
  const bool closed = close_block();  // what came before the hole is evidence of what is found in it
  begin_hole(skipped);
  if (closed) {
    wants_marker_ = true;
    trouble_words_ = "the writer fell behind";
    service("recording-lost", json_text("reason", trouble_words_));
    tell(settings_.folder + ": the writer fell behind, this span is not recorded");
  }
  return false;
}

// False when the disk does not take it: recording has stopped then.
bool SessionWriter::close_block() {
  const std::uint64_t lost_before = capture_.lost_items();
  const Problem problem = capture_.close_block();
  if (problem) {
    recording_failed(problem, capture_.lost_items() - lost_before);
  }
  return !problem;
}

void SessionWriter::append(const ItemBatch& batch) {
  if (batch.items.empty()) {
    return;
  }
  const Busy busy(*this);
  if (!first_host_ns_) {
    first_host_ns_ = batch.items.front().host_ns;
  }
  look_at_disk();
  if (may_record(batch)) {
    const std::uint64_t lost_before = capture_.lost_items();
    if (Problem problem = capture_.append(batch)) {
      recording_failed(problem, capture_.lost_items() - lost_before);
    }
    roll_black_box(batch.items.back().host_ns);
  } else {
    lost_items_ += batch.items.size();
  }
  any_item_ = true;
  next_sequence_ = batch.items.back().sequence + 1;
  keep_health();
}

void SessionWriter::recording_failed(const Problem& problem, std::uint64_t lost_items, Trouble trouble) {
  if (!first_problem_ && trouble != Trouble::low_room) {
    first_problem_ = problem;
  }
  begin_hole(lost_items);
  wants_marker_ = false;
  begin_trouble(trouble, *problem + "; edges are not recorded until that is over, findings are kept");
}

void SessionWriter::roll_black_box(std::int64_t now_ns) {
  const std::vector<SegmentSpan> finished = capture_.take_finished();
  if (!black_box_ || finished.empty()) {
    return;
  }
  for (const SegmentSpan& segment : finished) {
    black_box_->add(segment);
  }
  const std::vector<SegmentSpan> removable = black_box_->take_removable(now_ns);
  if (removable.empty()) {
    return;
  }
  for (const SegmentSpan& segment : removable) {
    if (!segment.empty()) {
      removed_.add({segment.first_sequence, segment.next_sequence - 1});
    }
  }
  // Listed first. Where the list can't be written (a full disk) the segments go all the same, to make room: a reader then
  // takes them for lost, until the next list says better.
  write_removed_ranges(settings_.layer, settings_.folder + "/capture", removed_);
  for (const SegmentSpan& segment : removable) {
    settings_.layer.remove(settings_.folder + "/capture/" + segment_name(segment.number));
  }
}

// ---- trouble with the disk

void SessionWriter::begin_trouble(Trouble trouble, const std::string& what) {
  if (trouble_ == Trouble::none) {
    last_look_ = SteadyClock::now();
    service("recording-lost", json_text("reason", what));
    tell(what);
  }
  trouble_words_ = what;
  trouble_ = trouble;
}

void SessionWriter::look_at_disk() {
  const auto now = SteadyClock::now();
  if (!settings_.live || now - last_look_ < settings_.look_every) {
    return;
  }
  last_look_ = now;
  if (trouble_ == Trouble::none) {
    look_at_place();
    look_at_room();
  } else {
    try_disk_again();
  }
}

bool SessionWriter::is_gone() const {
  return place_ && settings_.layer.identity(settings_.folder + "/capture") != place_;
}

void SessionWriter::look_at_place() {
  if (settings_.live && trouble_ == Trouble::none && is_gone()) {
    recording_failed(settings_.folder + ": the folder is no longer there", 0, Trouble::gone);
  }
}

void SessionWriter::look_at_room() {
  const std::int64_t free = in_hole_ ? -1 : look_at_free_bytes();
  if (free >= 0 && static_cast<std::uint64_t>(free) < settings_.free_floor_bytes) {
    if (!close_block()) {
      return;
    }
    constexpr std::int64_t mib = 1024 * 1024;
    recording_failed(settings_.folder + ": " + std::to_string(free / mib) + " MiB are free, less than the floor of " +
                         std::to_string(settings_.free_floor_bytes / mib) + " (free_floor_mib)",
                     0, Trouble::low_room);
  }
}

std::int64_t SessionWriter::look_at_free_bytes() {
  const std::int64_t free = settings_.layer.free_bytes(settings_.folder);
  free_bytes_ = free;
  return free;
}

bool SessionWriter::has_room() {
  const std::int64_t free = look_at_free_bytes();
  const std::uint64_t wanted = std::max(settings_.free_floor_bytes / 4 * 5, room_to_go_on);
  return free < 0 || static_cast<std::uint64_t>(free) >= wanted;
}

void SessionWriter::try_disk_again() {
  if (is_gone() && come_back()) {
    return;
  }
  const bool lines_written = !write_lines(true);
  if (!lines_written || (in_hole_ && (!has_room() || capture_.begin_segment()))) {
    return;
  }
  end_trouble();
}

void SessionWriter::end_trouble() {
  trouble_ = Trouble::none;
  wants_marker_ = in_hole_;
  const std::uint64_t lost_lines =
      events_.file.lost_lines() + trend_.file.lost_lines() + service_.file.lost_lines() - lost_lines_told_;
  lost_lines_told_ += lost_lines;
  service("disk-takes-data", lost_lines > 0 ? "\"lost_lines\":" + std::to_string(lost_lines) : std::string());
  tell(settings_.folder + ": the disk takes data again" +
       (lost_lines > 0 ? "; " + std::to_string(lost_lines) + " lines of its text files did not fit in memory" : ""));
}

bool SessionWriter::is_our_folder() const {
  const auto info = read_session_info(settings_.folder);
  return std::holds_alternative<SessionInfo>(info) && std::get<SessionInfo>(info).id == settings_.info.id;
}

// The folder was gone: the same one is there again, or its disk has come back, or it was removed and is made anew. Never
// on another disk: below an empty mount point that would be the computer's own.
Problem SessionWriter::come_back() {
  const std::string& folder = settings_.folder;
  const auto capture = settings_.layer.identity(folder + "/capture");
  if (capture && capture == place_) {
    return std::nullopt;
  }
  if (settings_.layer.identity(folder)) {
    return is_our_folder() ? reopen_files() : Problem(folder + ": another folder is in its place");
  }
  const auto parent = settings_.layer.identity(parent_of(folder));
  if (!parent || parent->disk != parent_disk_) {
    return folder + ": the disk that it was on is not there";
  }
  for (const auto step : {&SessionWriter::make_folder, &SessionWriter::lock_folder, &SessionWriter::open_files}) {
    if (Problem problem = (this->*step)()) {
      return problem;
    }
  }
  return std::nullopt;
}

Problem SessionWriter::reopen_files() {
  const std::string& folder = settings_.folder;
  Problem problem = lock_folder();
  problem = problem ? problem : make_folders(settings_.layer, folder + "/capture");
  problem = problem ? problem : events_.file.reopen(folder + "/events.jsonl");
  problem = problem ? problem : trend_.file.reopen(folder + "/trend.csv");
  problem = problem ? problem : service_.file.reopen(folder + "/service.jsonl");
  if (!problem) {
    place_ = settings_.layer.identity(folder + "/capture");
  }
  return problem;
}

// ---- lines

void SessionWriter::on_finding(const Finding& finding) {
  std::optional<std::int64_t> wall;
  std::int64_t host_ns = 0;
  const bool timed = first_host_ns_ && !__builtin_add_overflow(*first_host_ns_, finding.session_ns, &host_ns);
  if (settings_.info.anchor && timed) {
    wall = wall_ns_at(*settings_.info.anchor, host_ns);
  }
  if (black_box_ && timed && finding.severity >= Severity::warning) {
    black_box_->keep_around(host_ns, finding.evidence_first);
  }
  events_.file.add(finding_json(finding, wall) + "\n");
}

void SessionWriter::on_cycle(const Cycle& /*cycle*/) {}
void SessionWriter::on_state(const StateChange& /*change*/) {}
void SessionWriter::on_second(const Second& second) {
  trend_.file.add(trend_row(second, engine_.cams.size()));
}

void SessionWriter::gather_service_lines() {
  std::string lines;
  {
    const std::lock_guard lock(service_mutex_);
    std::swap(lines, service_lines_);
  }
  if (!lines.empty()) {
    service_.file.add(lines);
  }
}

void SessionWriter::commit() {
  const Busy busy(*this);
  gather_service_lines();
  if (events_.file.waits()) {
    look_at_place();  // a finding is not to be lost in a file that has been removed
  }
  if ((!events_.file.waits() && !trend_.file.waits() && !service_.file.waits()) || trouble_ == Trouble::gone) {
    return;
  }
  // Evidence first: the open block holds the items that these lines rest on.
  if (!in_hole_ && (events_.file.waits() || trend_.file.waits())) {
    close_block();
  }
  if (Problem problem = write_lines(false); problem && settings_.live) {
    begin_trouble(Trouble::refused, *problem + "; findings wait in memory until that is over");
  }
  keep_health();
}

// Findings first. A file that refused is left alone for a while, unless it is to be tried `at_once`.
Problem SessionWriter::write_lines(bool at_once) {
  const auto now = SteadyClock::now();
  Problem first;
  for (Lines* lines : {&events_, &service_, &trend_}) {
    if (!lines->file.waits() || (!at_once && now < lines->try_at)) {
      continue;
    }
    if (Problem problem = lines->file.write(lines != &service_ && settings_.live)) {
      lines->try_at = now + settings_.look_every;
      first = first ? first : problem;
    }
  }
  return first;
}

// ---- the end

Problem SessionWriter::finish(const std::string& stopped_by, SessionTotals& totals) {
  commit();
  if (!in_hole_) {
    const std::uint64_t lost_before = capture_.lost_items();
    Problem problem = capture_.close_block();
    lost_items_ += capture_.lost_items() - lost_before;
    first_problem_ = first_problem_ ? first_problem_ : problem;
  }
  if (settings_.live && totals.next_sequence() > next_sequence_) {  // the writer never saw the last ones
    begin_hole(totals.next_sequence() - next_sequence_);
    service("recording-lost", json_text("reason", "the writer fell behind"));
    tell(settings_.folder + ": the writer fell behind, the end is not recorded");
  }
  totals.finish();
  service("stop", json_text("reason", stopped_by) + ",\"lost_items\":" + std::to_string(lost_items_));
  gather_service_lines();
  Problem problem;
  const auto keep_first = [&](Problem next) { problem = problem ? problem : std::move(next); };
  if (is_gone()) {
    keep_first(come_back());
  }
  keep_first(write_lines(true));
  keep_first(capture_.close());
  for (Lines* lines : {&events_, &trend_, &service_}) {
    keep_first(lines->file.close());
  }
  keep_first(sync_folder(settings_.layer, settings_.folder + "/capture"));
  // Last, and whole or not at all: where it is, all the rest is.
  keep_first(write_whole_file(settings_.layer, settings_.folder + "/summary.json",
                              summary_json(totals, engine_, settings_.info.anchor, {lost_items_, stopped_by})));
  return first_problem_ ? first_problem_ : problem;
}

}  // namespace cw
