#include "record/retention.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <filesystem>
#include <sstream>
#include <utility>

#include "record/observation_text.hpp"
#include "record/session_info.hpp"
#include "record/wall_time.hpp"
#include "text/json.hpp"

namespace cw {

namespace {

constexpr std::uint64_t events_max = 1024ULL * 1024 * 1024;

// The files of a session beside its capture, in the order in which they go: session.toml last, so that what a power cut
// leaves half removed is still known as ours.
constexpr std::array text_files = {"summary.json",  "report.html", "trend.csv",   "events.jsonl",
                                   "service.jsonl", "lock",        "session.toml"};

struct Session {
  std::string folder;
  std::int64_t ended_wall_ns = 0;
  std::uint64_t bytes = 0;
  std::vector<SequenceRange> evidence;
};

// Size and time of last writing; nothing for what is no plain file.
std::optional<std::pair<std::uint64_t, std::int64_t>> look_at(const std::string& path) {
  struct stat status {};
  if (::lstat(path.c_str(), &status) != 0 || !S_ISREG(status.st_mode)) {
    return std::nullopt;
  }
  constexpr std::int64_t ns_per_s = 1'000'000'000;
  return std::pair(static_cast<std::uint64_t>(status.st_size),
                   status.st_mtim.tv_sec * ns_per_s + status.st_mtim.tv_nsec);
}

// Why the folder is not touched; nothing: it is a session of ours.
std::optional<std::string> why_not_ours(const std::string& folder) {
  struct stat status {};
  if (::lstat(folder.c_str(), &status) != 0 || !S_ISDIR(status.st_mode)) {
    return "no folder";
  }
  std::string text;
  if (read_file(folder + "/session.toml", session_toml_bytes_max, text)) {
    return "no session (no session.toml that can be read)";
  }
  const auto info = parse_session_toml(text, "session.toml");
  if (const auto* error = std::get_if<std::string>(&info)) {
    return "no session (" + *error + ")";
  }
  const auto& made_by = std::get<SessionInfo>(info).made_by;
  return made_by == "run" ? std::nullopt : std::optional("made by " + made_by + ", not recorded");
}

// Reads which items bear on warnings and faults. False when that can't be known.
bool read_evidence(const std::string& path, std::vector<SequenceRange>& evidence) {
  std::string text;
  if (read_file(path, events_max, text)) {
    return !look_at(path);  // none at all: the session ended before it had one
  }
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line) && !lines.eof();) {
    const auto event = parse_json(line);
    if (!event.is_object() || !event.contains("severity") || !event["severity"].is_string()) {
      return false;
    }
    if (event["severity"] == "info") {
      continue;
    }
    const auto range = event.find("evidence");
    if (range == event.end() || !range->is_object() || !range->contains("first_sequence") ||
        !range->contains("last_sequence") || !(*range)["first_sequence"].is_number_unsigned() ||
        !(*range)["last_sequence"].is_number_unsigned()) {
      return false;
    }
    evidence.push_back(
        {(*range)["first_sequence"].get<std::uint64_t>(), (*range)["last_sequence"].get<std::uint64_t>()});
  }
  return true;
}

// Bytes and end of a session, from its files.
void measure(Session& session) {
  const auto add = [&](const std::string& path) {
    if (const auto seen = look_at(path)) {
      session.bytes += seen->first;
      session.ended_wall_ns = std::max(session.ended_wall_ns, seen->second);
    }
  };
  for (const char* name : {"session.toml", "events.jsonl", "trend.csv", "summary.json"}) {
    add(session.folder + "/" + name);  // service.jsonl and removed.csv are also written when it is thinned
  }
  std::error_code error;
  for (auto entry = std::filesystem::directory_iterator(session.folder + "/capture", error);
       !error && entry != std::filesystem::directory_iterator(); entry.increment(error)) {
    if (entry->path().extension() == ".cwr") {
      add(entry->path().string());
    }
  }
}

// Takes the lock of the session for as long as it lives.
class WriterLock {
 public:
  WriterLock(const FileLayer& layer, const std::string& folder)
      : layer_(layer), handle_(layer.lock(folder + "/lock")) {}
  WriterLock(const WriterLock&) = delete;
  WriterLock& operator=(const WriterLock&) = delete;
  ~WriterLock() {
    if (handle_ >= 0) {
      layer_.close(handle_);
    }
  }
  bool held() const { return handle_ >= 0; }

 private:
  const FileLayer& layer_;
  int handle_;
};

void look_into(const FileLayer& layer, const std::string& folder, std::vector<Session>& sessions, RetentionPlan& plan) {
  if (const auto why = why_not_ours(folder)) {
    plan.left_alone.push_back(folder + ": " + *why);
    return;
  }
  Session session;
  session.folder = folder;
  measure(session);
  ++plan.sessions;
  plan.bytes_before += session.bytes;
  if (!WriterLock(layer, folder).held()) {
    plan.left_alone.push_back(folder + ": is being written");
  } else if (!read_evidence(folder + "/events.jsonl", session.evidence)) {
    plan.left_alone.push_back(folder + ": events.jsonl can't be read, so what is evidence can't be known");
  } else {
    sessions.push_back(std::move(session));
  }
}

RetentionStep step_for(const Session& session, const RetentionRules& rules) {
  RetentionStep step;
  step.folder = session.folder;
  step.ended_wall_ns = session.ended_wall_ns;
  step.whole = session.evidence.empty();
  if (step.whole) {
    step.bytes = session.bytes;
    return step;
  }
  step.segments =
      idle_segments(index_capture(session.folder + "/capture"), session.evidence, rules.lead_in_ns, rules.after_ns);
  for (const IndexedSegment& segment : step.segments) {
    step.bytes += segment.bytes;
  }
  return step;
}

// A file or a folder. One that is not there will do, and a folder with files of others in it stays.
Problem remove_file(const FileLayer& layer, const std::string& path) {
  const int result = layer.remove(path);
  const bool done = result >= 0 || result == -ENOENT || result == -ENOTEMPTY || result == -EEXIST;
  return done ? Problem() : disk_problem(path, "cannot remove", -result);
}

Problem remove_whole(const FileLayer& layer, const RetentionStep& step) {
  const std::string capture = step.folder + "/capture";
  Problem problem;
  const auto remove = [&](const std::string& path) {
    Problem next = remove_file(layer, path);
    problem = problem ? problem : next;
  };
  for (const IndexedSegment& segment : index_capture(capture)) {
    remove(segment.path);
  }
  remove(capture + "/removed.csv");
  remove(capture);  // with something else in it, it stays
  if (problem) {
    return problem;
  }
  for (const char* name : text_files) {
    remove(step.folder + "/" + name);
  }
  remove(step.folder);
  return problem;
}

Problem thin(const FileLayer& layer, const RetentionStep& step, std::int64_t now_wall_ns) {
  const std::string capture = step.folder + "/capture";
  RemovedRanges removed = read_removed_ranges(capture);
  for (const IndexedSegment& segment : step.segments) {
    removed.add({segment.first_sequence, segment.next_sequence - 1});
  }
  Problem problem = write_removed_ranges(layer, capture, removed);
  for (const IndexedSegment& segment : step.segments) {
    problem = problem ? problem : remove_file(layer, segment.path);
  }
  DiskFile service(layer);
  if (!problem && !service.reopen(step.folder + "/service.jsonl")) {
    problem =
        service.append(R"({"time":")" + rfc3339(now_wall_ns, 3) + R"(","event":"idle-running-removed","segments":)" +
                       std::to_string(step.segments.size()) + ",\"bytes\":" + std::to_string(step.bytes) + "}\n");
  }
  return problem ? problem : sync_folder(layer, capture);
}

}  // namespace

std::variant<RetentionPlan, std::string> plan_retention(const FileLayer& layer, const std::string& folder,
                                                        const RetentionRules& rules) {
  std::vector<std::string> names;
  const int listed = layer.list(folder, names);
  if (listed < 0) {
    return disk_problem(folder, "cannot read the folder", -listed);
  }
  std::sort(names.begin(), names.end());
  RetentionPlan plan;
  std::vector<Session> sessions;
  const std::string below = folder + "/";
  for (const std::string& name : names) {
    std::string session = below;
    session += name;
    look_into(layer, session, sessions, plan);
  }
  std::stable_sort(sessions.begin(), sessions.end(),
                   [](const Session& a, const Session& b) { return a.ended_wall_ns < b.ended_wall_ns; });
  plan.bytes_after = plan.bytes_before;
  for (const Session& session : sessions) {
    const bool too_old = rules.keep_ns && rules.now_wall_ns - session.ended_wall_ns > *rules.keep_ns;
    const bool too_much = rules.keep_bytes && plan.bytes_after > *rules.keep_bytes;
    if (!too_old && !too_much) {
      continue;
    }
    RetentionStep step = step_for(session, rules);
    if (step.whole || !step.segments.empty()) {
      plan.bytes_after -= step.bytes;
      plan.steps.push_back(std::move(step));
    }
  }
  return plan;
}

Problem carry_out(const FileLayer& layer, const RetentionStep& step, std::int64_t now_wall_ns) {
  const WriterLock lock(layer, step.folder);
  if (!lock.held()) {
    return step.folder + ": expected a session that no one writes to, found one that is being written";
  }
  return step.whole ? remove_whole(layer, step) : thin(layer, step, now_wall_ns);
}

std::string step_in_words(const RetentionStep& step) {
  constexpr double mib = 1024.0 * 1024.0;
  std::string size;
  append_fixed(size, static_cast<double>(step.bytes) / mib, 1);
  return step.folder + ": " +
         (step.whole ? "all of it" : "its idle running, " + std::to_string(step.segments.size()) + " segments") + ", " +
         size + " MiB, ended " + rfc3339(step.ended_wall_ns, 0);
}

}  // namespace cw
