#include "record/session_writer.hpp"

#include <cerrno>
#include <random>
#include <utility>

#include "record/observation_text.hpp"

namespace cw {

namespace {

constexpr std::size_t waiting_lines_max = 1024 * 1024;  // bytes of lines kept while the disk does not take them
constexpr std::chrono::seconds try_again_after{1};

std::int64_t wall_now_ns() {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::system_clock::now().time_since_epoch())
      .count();
}

bool is_marker(const ItemBatch& batch) {
  const Item& first = batch.items.front();
  return first.kind == ItemKind::gap && first.code == static_cast<std::uint8_t>(GapReason::recorder_behind);
}

std::string json_text(const std::string& key, const std::string& value) {
  std::string out = "\"" + key + "\":";
  append_json_string(out, value);
  return out;
}

}  // namespace

std::uint64_t draw_session_id() {
  std::random_device device;
  return (static_cast<std::uint64_t>(device()) << 32U) | device();
}

SessionWriter::SessionWriter(SessionSettings settings, const Engine& engine)
    : settings_(std::move(settings)),
      engine_(engine),
      capture_({settings_.folder + "/capture", settings_.info.id, settings_.live, settings_.segment_bytes,
                BlockCodec::zstd, settings_.layer}),
      events_(settings_.layer),
      trend_(settings_.layer),
      service_(settings_.layer) {}

SessionWriter::~SessionWriter() {
  if (lock_ >= 0) {
    settings_.layer.close(lock_);
  }
}

std::variant<std::unique_ptr<SessionWriter>, std::string> SessionWriter::create(SessionSettings settings,
                                                                                const Engine& engine) {
  std::unique_ptr<SessionWriter> writer(new SessionWriter(std::move(settings), engine));
  for (const auto step : {&SessionWriter::make_folder, &SessionWriter::lock_folder, &SessionWriter::open_files}) {
    if (Problem problem = (writer.get()->*step)()) {
      return *problem;
    }
  }
  writer->service("start", json_text("program", writer->settings_.info.program));
  return writer;
}

Problem SessionWriter::make_folder() {
  const std::string& folder = settings_.folder;
  if (Problem problem = make_folders(settings_.layer, folder)) {
    return problem;
  }
  std::vector<std::string> names;
  const int listed = settings_.layer.list(folder, names);
  if (listed < 0 && listed != -ENOTDIR) {
    return disk_problem(folder, "cannot read the folder", -listed);
  }
  if (listed < 0 || !names.empty()) {
    return folder + ": expected a new or empty folder, found one with something in it";
  }
  return std::nullopt;
}

Problem SessionWriter::lock_folder() {
  const std::string path = settings_.folder + "/lock";
  lock_ = settings_.layer.lock(path);
  if (lock_ == -EWOULDBLOCK) {
    return settings_.folder + ": expected a folder of its own, found another program writing to it";
  }
  return lock_ < 0 ? disk_problem(path, "cannot create", -lock_) : Problem();
}

Problem SessionWriter::open_files() {
  const std::string& folder = settings_.folder;
  if (Problem problem = make_folders(settings_.layer, folder + "/capture")) {
    return problem;
  }
  DiskFile session(settings_.layer);
  if (Problem problem = session.create(folder + "/session.toml")) {
    return problem;
  }
  if (Problem problem = session.append(session_toml(settings_.info))) {
    return problem;
  }
  if (Problem problem = session.sync()) {
    return problem;
  }
  for (const auto& [file, name] : {std::pair{&events_, "/events.jsonl"}, std::pair{&trend_, "/trend.csv"},
                                   std::pair{&service_, "/service.jsonl"}}) {
    if (Problem problem = file->create(folder + name)) {
      return problem;
    }
  }
  if (Problem problem = trend_.append(trend_header(engine_))) {
    return problem;
  }
  if (Problem problem = capture_.begin_segment()) {
    return problem;
  }
  return sync_folder(settings_.layer, folder);
}

void SessionWriter::tell(const std::string& line) {
  if (settings_.tell) {
    settings_.tell(line);
  }
}

void SessionWriter::service(const std::string& event, const std::string& details) {
  std::string line = "{" + json_text("time", rfc3339(wall_now_ns(), 3)) + "," + json_text("event", event);
  line += details.empty() ? "}\n" : "," + details + "}\n";
  const std::lock_guard lock(service_mutex_);
  if (Problem problem = service_.append(line)) {
    tell(*problem);
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

// Whether the items are to be recorded; in a hole only a marker is, and it ends the hole.
bool SessionWriter::may_record(const ItemBatch& batch) {
  if (!settings_.live) {
    return !disk_failed_;
  }
  if (in_hole_) {
    if (!is_marker(batch) || !wants_marker_) {
      return false;
    }
    in_hole_ = false;
    disk_failed_ = false;
    wants_marker_ = false;
    service("recording-resumed", "\"lost_items\":" + std::to_string(lost_items_ - lost_at_hole_));
    tell(settings_.folder + ": recording again, " + std::to_string(lost_items_ - lost_at_hole_) + " items were lost");
    return true;
  }
  if (any_item_ && batch.items.front().sequence != next_sequence_) {
    in_hole_ = true;
    lost_at_hole_ = lost_items_;
    lost_items_ += batch.items.front().sequence - next_sequence_;
    wants_marker_ = true;
    service("recording-lost", json_text("reason", "the writer fell behind"));
    tell(settings_.folder + ": the writer fell behind, this span is not recorded");
    return false;
  }
  return true;
}

void SessionWriter::append(const ItemBatch& batch) {
  if (batch.items.empty()) {
    return;
  }
  if (!first_host_ns_) {
    first_host_ns_ = batch.items.front().host_ns;
  }
  if (disk_failed_ && !wants_marker_) {
    try_disk_again();
  }
  if (may_record(batch)) {
    const std::uint64_t lost_before = capture_.lost_items();
    if (Problem problem = capture_.append(batch)) {
      recording_failed(problem, capture_.lost_items() - lost_before);
    }
  } else {
    lost_items_ += batch.items.size();
  }
  any_item_ = true;
  next_sequence_ = batch.items.back().sequence + 1;
}

void SessionWriter::recording_failed(const Problem& problem, std::uint64_t lost_items) {
  if (!first_problem_) {
    first_problem_ = problem;
  }
  if (!in_hole_) {
    lost_at_hole_ = lost_items_;
  }
  lost_items_ += lost_items;
  in_hole_ = true;
  disk_failed_ = true;
  wants_marker_ = false;
  last_try_ = std::chrono::steady_clock::now();
  service("recording-lost", json_text("reason", *problem));
  tell(*problem + "; this span is not recorded");
}

void SessionWriter::try_disk_again() {
  const auto now = std::chrono::steady_clock::now();
  if (!settings_.live || now - last_try_ < try_again_after) {
    return;
  }
  last_try_ = now;
  wants_marker_ = !capture_.begin_segment();
}

void SessionWriter::on_finding(const Finding& finding) {
  std::optional<std::int64_t> wall;
  std::int64_t host_ns = 0;
  if (settings_.info.anchor && first_host_ns_ &&
      !__builtin_add_overflow(*first_host_ns_, finding.session_ns, &host_ns)) {
    wall = wall_ns_at(*settings_.info.anchor, host_ns);
  }
  event_lines_ += finding_json(finding, wall) + "\n";
}

void SessionWriter::on_cycle(const Cycle& /*cycle*/) {}
void SessionWriter::on_state(const StateChange& /*change*/) {}
void SessionWriter::on_second(const Second& second) {
  trend_lines_ += trend_row(second, engine_.cams.size());
}

void SessionWriter::commit() {
  if (event_lines_.empty() && trend_lines_.empty()) {
    return;
  }
  // Evidence first: the open block holds the items that these lines rest on.
  const std::uint64_t lost_before = capture_.lost_items();
  if (!disk_failed_) {
    if (Problem problem = capture_.close_block()) {
      recording_failed(problem, capture_.lost_items() - lost_before);
    }
  }
  write_lines(events_, event_lines_, settings_.live);
  write_lines(trend_, trend_lines_, false);
}

// Lines that the disk does not take are kept and tried again, up to a limit.
void SessionWriter::write_lines(DiskFile& file, std::string& lines, bool sync) {
  if (lines.empty()) {
    return;
  }
  Problem problem = file.append(lines);
  if (!problem) {
    lines.clear();
    problem = sync ? file.sync() : Problem();
  }
  if (!problem) {
    return;
  }
  if (!first_problem_) {
    first_problem_ = problem;
    service("write-failed", json_text("file", file.path()) + "," + json_text("reason", *problem));
    tell(*problem);
  }
  if (lines.size() > waiting_lines_max) {
    ++lost_lines_;
    lines.clear();
  }
}

Problem SessionWriter::finish(const std::string& stopped_by, SessionTotals& totals) {
  commit();
  if (!disk_failed_) {
    const std::uint64_t lost_before = capture_.lost_items();
    Problem problem = capture_.close_block();
    lost_items_ += capture_.lost_items() - lost_before;
    first_problem_ = first_problem_ ? first_problem_ : problem;
  }
  totals.finish();
  service("stop", json_text("reason", stopped_by) + ",\"lost_items\":" + std::to_string(lost_items_));
  DiskFile summary(settings_.layer);
  Problem problem = summary.create(settings_.folder + "/summary.json");
  const auto keep_first = [&](Problem next) { problem = problem ? problem : std::move(next); };
  keep_first(capture_.close());
  for (DiskFile* file : {&events_, &trend_, &service_}) {
    keep_first(file->sync());
    keep_first(file->close());
  }
  if (summary.is_open()) {
    keep_first(summary.append(summary_json(totals, engine_, settings_.info.anchor, {lost_items_, stopped_by})));
    keep_first(summary.sync());
  }
  keep_first(sync_folder(settings_.layer, settings_.folder + "/capture"));
  keep_first(sync_folder(settings_.layer, settings_.folder));
  return first_problem_ ? first_problem_ : problem;
}

}  // namespace cw
